"""What single rooms read of drawn wedges, charts, edges, strips and infra-red planes, in tables."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import scipy.ndimage

from pipeline.chart.chart import find_chart
from pipeline.chart.wedge import find_wedge
from pipeline.densities.characteristic import characteristic
from pipeline.dust.fill import filled, grain_near, with_grain
from pipeline.dust.infrared import CrossTalk
from pipeline.dust.overlay import laid_over, square_of
from pipeline.edge.reading import read_edge
from pipeline.frame.columns import Evidence
from pipeline.frame.frames import find_frames
from pipeline.frame.gate import GateHabit, usual_habit
from pipeline.frame.spans import solve_spans
from pipeline.profile.format import formats_on, frame_formats
from tests.chart.charted import frame_density
from tests.chart.wedged import DrawnWedge, wedge_density
from tests.edge.drawn import Look, draw_strip, run_of
from tests.film_model import Scene
from tests.film_model.picture import picture_codes
from tests.frame.drawn import seen
from tests.judged.pinned_cases import fixed_generator

WEDGES: Mapping[str, tuple[DrawnWedge, float]] = {
    "plain": (DrawnWedge(), 0.02),
    "narrow": (DrawnWedge(steps=31, step=0.10, length=0.95), 0.02),
    "wide, falling": (DrawnWedge(steps=11, step=0.30, falling=True), 0.04),
    "slanting": (DrawnWedge(angle_deg=-33.0), 0.02),
    "lines between": (DrawnWedge(gap=0.12, light_falloff_stops=0.3), 0.02),
    "light surround": (DrawnWedge(surround=2.5, flare=0.001), 0.02),
    "small": (DrawnWedge(length=0.4, height=0.1), 0.04),
    "few": (DrawnWedge(steps=7, step=0.3), 0.02),
    "in grain": (DrawnWedge(steps=21, middle=-0.7), 0.12),
}
CHARTS = ((1, 0.0, 0.02), (2, -2.0, 0.02), (3, 2.0, 0.02), (4, 0.0, 0.12), (5, -3.0, 0.06))
EDGES: Mapping[str, Look] = {
    "plain": Look(),
    "soft": Look(blur_mm=0.22),
    "soft and coarse": Look(px_per_mm=6.0, blur_mm=0.15),
    "coarse": Look(px_per_mm=4.0),
    "too coarse": Look(px_per_mm=3.4),
    "thin": Look(print_density=0.03),
    "thin in noise": Look(print_density=0.06, noise=0.02),
    "dense": Look(print_density=1.6, blur_mm=0.1),
    "askew": Look(skew_deg=1.1),
    "narrow": Look(module_mm=0.415, turned=True, px_per_mm=8.0),
    "wide": Look(module_mm=0.455, mirrored=True, px_per_mm=24.0),
    "lost": Look(print_density=0.03, noise=0.02),
    "too soft": Look(blur_mm=0.3, noise=0.01),
    "bare": Look(numerals=False, noise=0.03),
}
# Pictures from mm to mm along a strip of a length, and bars of base within them.
STRIPS: Mapping[str, tuple[float, Sequence[tuple[float, float]], Sequence[tuple[float, float]]]] = {
    "even": (114.0, ((1, 37), (39, 75), (77, 113)), ()),
    "narrow gaps": (111.0, ((0.5, 36.5), (36.9, 72.9), (73.1, 109.1)), ()),
    "long gap": (126.0, ((1, 37), (46, 82), (89, 125)), ()),
    "overlap": (112.0, ((1, 37), (36, 72), (74, 110)), ()),
    "large gate": (116.0, ((1, 37.9), (39, 75.9), (77, 113.9)), ()),
    "small gate": (114.0, ((1, 36.2), (39, 74.2), (77, 112.2)), ()),
    "empty start": (120.0, ((7, 43), (45, 81), (83, 119)), ()),
    "empty end": (119.0, ((1, 37), (39, 75), (77, 113)), ()),
    "long leader": (100.0, ((22, 58), (60, 96)), ()),
    "blank": (114.0, ((1, 37), (77, 113)), ()),
    "cut": (100.0, ((0, 22), (24, 60), (62, 98)), ()),
    "hair cut": (112.0, ((0, 35.4), (37.4, 73.4), (75.4, 111.4)), ()),
    "cut at both": (94.0, ((0, 26), (28, 64), (66, 94)), ()),
    "posts": (114.0, ((1, 37), (39, 75), (77, 113)), ((20, 22), (55, 55.5), (90, 98))),
    "black half": (114.0, ((1, 37), (39, 75), (77, 113)), ((54, 75),)),
    "lamp": (114.0, ((1, 37), (50, 52), (77, 113)), ()),
    "halves": (58.0, ((1, 19), (20, 38), (39, 57)), ()),
    "squares": (79.0, ((1, 25), (27, 51), (53, 77)), ()),
    "between": (62.0, ((1, 30), (31, 60)), ()),
}
# Shift in pixels and blur of an infra-red plane.
PLANES = (((0.0, 0.0), 0.0), ((0.6, -0.4), 0.45), ((1.4, 0.8), 0.9), ((-3.0, 2.2), 1.7))


def wedge_figures() -> dict[str, Any]:
    """Return what is read of drawn wedges, and the curves through their steps."""
    told: dict[str, Any] = {}
    for name, (wedge, noise) in WEDGES.items():
        read = find_wedge(wedge_density(wedge, noise=noise, width=300))
        if read is None:
            told[name] = None
            continue
        logs = wedge.step * np.arange(len(read.densities))
        curves = characteristic(logs, read.densities, read.error, np.zeros(3)) or ()
        told[name] = vars(read) | {"curves": [_curve(vars(curve)) for curve in curves]}
    return told


def _curve(curve: Mapping[str, Any]) -> dict[str, Any]:
    points = {name: curve[name] and vars(curve[name]) for name in ("toe", "shoulder")}
    whole = {name: sum(curve[name]) for name in ("density", "log_exposure")}
    return {**curve, **points, **whole}


def chart_figures() -> dict[str, Any]:
    """Return what is read of charts held in a scene, by its seed, exposure and grain."""
    told: dict[str, Any] = {}
    for seed, stops, noise in CHARTS:
        scene = Scene("chart-in-scene", seed=seed)
        read = find_chart(frame_density("film-d", "scanner-b", scene, stops, noise=noise))
        told[f"{seed} {stops} {noise}"] = read and vars(read)
    return told


def edge_figures() -> dict[str, Any]:
    """Return what is read of drawn edges, in mm, and the density of their print."""
    told: dict[str, Any] = {}
    for name, look in EDGES.items():
        drawn = draw_strip(run_of("115-10", 22, 3), 60.0, look)
        read = read_edge(drawn.light, drawn.px_per_mm, drawn.top_row, drawn.bottom_row)
        scale = drawn.px_per_mm
        told[name] = {
            "codes": [(one.text, one.x_px / scale, one.y_px / scale) for one in read.codes],
            "frames": (read.frames_per_mm, read.frame_at_left),
            "ways": (read.direction, read.mirrored),
            "printed": read.printed and vars(read.printed),
        }
    return told


def span_figures() -> dict[str, Any]:
    """Return frames of drawn strips in mm, with the score of each format, of the roll or not."""
    told: dict[str, Any] = {}
    habits = {"135": usual_habit(frame_formats()["135"])}
    for name, (length, pictures, bars) in STRIPS.items():
        shown = seen(length, pictures, bars)
        told[name] = {
            form.name: solve_spans(shown, usual_habit(form))[0] for form in formats_on("135")
        }
        told[f"{name} known"] = _frames(shown, habits)
        told[f"{name} thin"] = _frames(seen(length, pictures, bars, 0.06), None)
    return told


def _frames(shown: Evidence, habits: Mapping[str, GateHabit] | None) -> dict[str, Any]:
    found = find_frames(shown, formats_on("135"), habits)
    frames = [
        (one.kind, one.confidence, one.start / shown.px_per_mm, one.end / shown.px_per_mm)
        for one in found.frames
    ]
    return {
        "frames": frames, "format": found.format.name, "score": found.score,
        "habit": vars(found.habit),
    }  # fmt: skip


def plane_figures() -> dict[str, Any]:
    """Return how drawn infra-red planes are laid over, and what holes are filled with."""
    told: dict[str, Any] = {}
    scene = picture_codes("table")[:512, :512].astype(np.float32) / 255.0
    density = np.asarray(-np.log10(0.02 + scene), np.float32)
    talk = CrossTalk((0.5, 0.0, 0.0), "dust")
    specks = np.zeros((512, 512), np.float32)
    draw = fixed_generator("specks")
    places = draw.integers(10, 500, (2, 40))
    specks[places[0], places[1]] = 2.0
    specks = scipy.ndimage.gaussian_filter(specks, 0.7)
    for (across, down), blur in PLANES:
        plane = 0.5 * density[..., 0] + specks
        plane = scipy.ndimage.shift(scipy.ndimage.gaussian_filter(plane, blur), (down, across))
        shown = (plane + draw.normal(0.0, 0.002, plane.shape)).astype(np.float32)
        dusty = density + 0.9 * specks[..., None]
        corners = [(top, left) for top in (20, 240) for left in (20, 240)]
        squares = [
            square_of(
                shown[top : top + 240, left : left + 240],
                dusty[top : top + 240, left : left + 240], talk, (left / 120 - 1, top / 120 - 1),
            )
            for top, left in corners
        ]  # fmt: skip
        told[f"{across} {down} {blur}"] = vars(laid_over(squares))
    holes = specks[:200, :200] > 0.05
    picture = density[:200, :200] + draw.normal(0.0, 0.02, (200, 200, 3)).astype(np.float32)
    smooth, grain = filled(picture, holes), grain_near(picture, holes, np.nonzero(holes))
    told["filled"] = [smooth.mean(), smooth.std(), grain.std(), with_grain(smooth, grain).std()]
    return told
