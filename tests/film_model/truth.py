"""What is true of a scan: where things lie, what they are, the densities of an ideal reading."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from . import chart
from .dyes import base_dye, spectral_density
from .exposure import ExposedFrame, ExposedStrip, perforations
from .scanner import Scanner
from .scene import as_scene
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
) -> dict[str, Any]:
    """Return the truth of a scan as plain lists and numbers.

    Points are pixel centres of the scan as stored; outlines run TL, TR, BR, BL of the film read
    with its edge text upright; densities are base-10, open gate 0, dark and flare taken off.
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
        },
        "strips": [_strip_truth(strip, device, turn_deg) for strip in strips],
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
            if _visible_mm(strip, frame) > LEAST_VISIBLE_MM
        ],
    }


def _density(strip: ExposedStrip, device: Scanner, dye: Floats) -> Floats:
    return device.density(spectral_density(strip.film, strip.roll.process, dye))


def _exposed(strip: ExposedStrip, device: Scanner, exposure: Floats) -> Floats:
    return _density(strip, device, strip.film.develop(exposure, strip.roll.process))


def _corners(strip: ExposedStrip, u0: float, v0: float, u1: float, v1: float) -> list[list[float]]:
    points = strip.placement.to_scan([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
    return [[round(float(c), 3) for c in point] for point in points]


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


def _visible_mm(strip: ExposedStrip, frame: ExposedFrame) -> float:
    return min(frame.u1_mm, strip.length_mm) - max(frame.u0_mm, 0.0)


def _frame_truth(strip: ExposedStrip, frame: ExposedFrame) -> dict[str, Any]:
    gate, spec = frame.gate, frame.gate.spec
    whole = _visible_mm(strip, frame) >= PARTIAL_BELOW * (frame.u1_mm - frame.u0_mm)
    scene = as_scene(spec.scene)
    left, right = max(frame.u0_mm, 0.0), min(frame.u1_mm, strip.length_mm)
    truth: dict[str, Any] = {
        "index": gate.index,
        "number": gate.number,
        "kind": spec.kind if whole else "partial",
        "outline": _corners(strip, left, gate.v0_mm, right, gate.v1_mm),
        "u_mm": [round(left, 4), round(right, 4)],
        "v_mm": [gate.v0_mm, gate.v1_mm],
        "exposure_stops": spec.exposure_stops,
        "light": spec.light,
        "scene": asdict(scene) if spec.kind == "picture" else None,
    }
    if spec.kind == "picture" and scene.name == "chart" and whole and not scene.turned:
        truth["patches"] = _patches(strip, frame)
    return truth


def _patches(strip: ExposedStrip, frame: ExposedFrame) -> list[dict[str, Any]]:
    gate = frame.gate
    size = np.array([frame.u1_mm - frame.u0_mm, gate.v1_mm - gate.v0_mm])
    start = np.array([frame.u0_mm, gate.v0_mm])
    patches = []
    for patch in chart.patches_in_frame(strip.form.aspect):
        points = strip.placement.to_scan(start + size * np.array([patch.centre, *patch.corners]))
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
