"""What is true of a scan: where things lie, what they are, the densities of an ideal reading."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from . import chart
from .dyes import base_dye, spectral_density
from .exposure import ExposedFrame, ExposedStrip, perforations
from .geometry import span_inside
from .scanner import Scanner
from .scene import CHART_IN_SCENE, as_scene
from .spectra import Floats

PARTIAL_BELOW = 0.97
LEAST_VISIBLE_MM = 1.0


def scan_truth(
    strips: Sequence[ExposedStrip],
    device: Scanner,
    ppi: float,
    gains: Sequence[float],
    level: Floats,
    turn_deg: int,
    size_px: tuple[int, int],
    windows_px: Sequence[tuple[float, float, float, float]],
) -> dict[str, Any]:
    """Return the truth of a scan as plain lists and numbers.

    Points are pixel centres of the scan as stored; outlines run TL, TR, BR, BL of the film read
    with its edge text upright; densities are base-10, open gate 0, dark and flare taken off. A
    frame's outline is its gate's rectangle with sharp corners, turned as the gate is; its u_mm and
    v_mm are those of the gate before it is turned. edges_in_view_mm says from where to where the
    strip's top and bottom edges lie in their window and in the scan, None for an edge out of view.
    """
    return {
        "size_px": list(size_px),
        "ppi": ppi,
        "turn_deg": turn_deg,
        "scanner": {
            "name": device.name,
            "gains": list(gains),
            "open_gate": level.tolist(),
            "offset": device.offset.tolist(),
            "flare": device.flare,
            "bits": device.bits,
            "gamma": device.gamma,
            "tone": device.tone,
        },
        "strips": [
            _strip_truth(strip, device, turn_deg)
            | {"edges_in_view_mm": _edges_in_view(strip, size_px, window)}
            for strip, window in zip(strips, windows_px, strict=True)
        ],
    }


def _strip_truth(strip: ExposedStrip, device: Scanner, turn_deg: int) -> dict[str, Any]:
    spec, roll = strip.spec, strip.roll
    base = _density(strip, device, base_dye(strip.film, roll.process))
    return {
        "film": strip.film.name,
        "format": strip.form.name,
        "process": asdict(roll.process),
        "outline": _corners(strip, 0, 0, strip.length_mm, strip.form.width_mm),
        "angle_deg": spec.angle_deg,
        "turn_deg": (turn_deg + 180 * spec.reversed) % 360,
        "reversed": spec.reversed,
        "mirrored": spec.mirrored,
        "film_width_mm": strip.form.width_mm,
        "length_mm": strip.length_mm,
        "pitch_mm": strip.form.pitch_mm + roll.camera.pitch_error_mm,
        "base_density": base.tolist(),
        "grey_above_base": (_exposed(strip, device, np.ones(3)) - base).tolist(),
        "edge_print_above_base": (
            _exposed(strip, device, 10.0**strip.film.edge_print) - base
        ).tolist(),
        "codes": _codes(strip),
        "perforations": _holes(strip),
        "frames": [
            _frame_truth(strip, frame)
            for frame in strip.frames
            if np.ptp(_in_view_mm(strip, frame)) > LEAST_VISIBLE_MM
        ],
    }


def _density(strip: ExposedStrip, device: Scanner, dye: Floats) -> Floats:
    return device.density(spectral_density(strip.film, strip.roll.process, dye))


def _exposed(strip: ExposedStrip, device: Scanner, exposure: Floats) -> Floats:
    return _density(strip, device, strip.film.develop(exposure, strip.roll.process))


def _corners(strip: ExposedStrip, u0: float, v0: float, u1: float, v1: float) -> list[list[float]]:
    points = strip.placement.to_scan([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
    return [[round(float(c), 3) for c in point] for point in points]


def _edges_in_view(
    strip: ExposedStrip, size_px: tuple[int, int], window: tuple[float, float, float, float]
) -> dict[str, list[float] | None]:
    low = np.maximum(window[:2], -0.5)
    high = np.minimum(window[2:], np.array(size_px) - 0.5)
    spans: dict[str, list[float] | None] = {}
    for name, v in (("top", 0.0), ("bottom", strip.form.width_mm)):
        ends = strip.placement.to_scan([(0.0, v), (strip.length_mm, v)])
        inside = span_inside(ends[0], ends[1], low, high)
        spans[name] = inside and [round(share * strip.length_mm, 3) for share in inside]
    return spans


def _codes(strip: ExposedStrip) -> list[dict[str, Any]]:
    if strip.edges is None:
        return []
    return [
        {
            "text": code.text,
            "outline": _corners(strip, code.u0_mm, code.v0_mm, code.u1_mm, code.v1_mm),
        }
        for code in strip.edges.codes
    ]


def _holes(strip: ExposedStrip) -> list[list[float]]:
    """Return centres of whole holes."""
    whole = [h for h in perforations(strip) if h[0] >= 0 and h[2] <= strip.length_mm]
    if not whole:
        return []
    points = strip.placement.to_scan([((h[0] + h[2]) / 2, (h[1] + h[3]) / 2) for h in whole])
    return [[round(float(c), 3) for c in point] for point in points]


def _in_view_mm(strip: ExposedStrip, frame: ExposedFrame) -> tuple[float, float]:
    """Return from where to where along the strip a gate's middle line lies on it, unturned."""
    start, end = (u - strip.start_mm for u in (frame.gate.u0_mm, frame.gate.u1_mm))
    return max(start, 0.0), max(min(end, strip.length_mm), 0.0)


def _gate_corners(strip: ExposedStrip, frame: ExposedFrame) -> list[list[float]]:
    """Return the gate's corners in the scan, each long side ended where the film is cut."""
    along, across = frame.gate.size_mm
    to_strip = frame.gate.on_strip(strip.start_mm)
    ends = []
    for w in (0.0, across):
        first, run = to_strip[0, 1] * w + to_strip[0, 2], to_strip[0, 0]
        cuts = (0.0 - first) / run, (strip.length_mm - first) / run
        ends.append([(float(np.clip(cut, 0.0, along)), w) for cut in (max(cuts[0], 0), cuts[1])])
    points = frame.placement.to_scan([ends[0][0], ends[0][1], ends[1][1], ends[1][0]])
    return [[round(float(c), 3) for c in point] for point in points]


def _frame_truth(strip: ExposedStrip, frame: ExposedFrame) -> dict[str, Any]:
    gate, spec = frame.gate, frame.gate.spec
    left, right = _in_view_mm(strip, frame)
    whole = right - left >= PARTIAL_BELOW * gate.size_mm[0]
    scene = as_scene(spec.scene)
    truth: dict[str, Any] = {
        "index": gate.index,
        "number": gate.number,
        "kind": spec.kind if whole else "partial",
        "outline": _gate_corners(strip, frame),
        "u_mm": [round(left, 4), round(right, 4)],
        "v_mm": [gate.v0_mm, gate.v1_mm],
        "turn_deg": gate.turn_deg,
        "corner_mm": gate.corner_mm,
        "exposure_stops": spec.exposure_stops,
        "light": spec.light,
        "scene": asdict(scene) if spec.kind == "picture" else None,
    }
    if spec.kind == "picture" and scene.name == "chart" and whole and not scene.turned:
        truth["patches"] = _patches(frame)
    if spec.kind == "picture" and scene.name == CHART_IN_SCENE and whole and not scene.turned:
        truth["held_patches"] = _held_patches(frame, scene.seed)
    return truth


def _held_patches(frame: ExposedFrame, seed: int) -> list[dict[str, Any]]:
    """Return name, centre and corners of the patches of a chart held in a scene."""
    size = np.array(frame.gate.size_mm)
    aspect = float(size[0] / size[1])
    patches = []
    for name, points in chart.patches_in_scene(chart.placed(seed, aspect), aspect):
        placed = frame.placement.to_scan(size * points)
        rounded = [[round(float(c), 3) for c in point] for point in placed]
        patches.append({"name": name, "centre": rounded[0], "corners": rounded[1:]})
    return patches


def _patches(frame: ExposedFrame) -> list[dict[str, Any]]:
    size = np.array(frame.gate.size_mm)
    patches = []
    for patch in chart.patches_in_frame(size[0] / size[1]):
        points = frame.placement.to_scan(size * np.array([patch.centre, *patch.corners]))
        rounded = [[round(float(c), 3) for c in point] for point in points]
        patches.append(
            {
                "name": patch.name,
                "centre": rounded[0],
                "corners": rounded[1:],
                "lab_d50": list(patch.lab_d50),
                "xyz_d50": list(patch.xyz_d50),
                "linear_srgb": list(patch.linear_srgb),
            }
        )
    return patches
