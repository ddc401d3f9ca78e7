"""Frames photographed one by one, held against the scans they are from: `tests.judged.single 0 2`.

Every frame of a random roll is cut out as a camera over a light table sees it: with some surround,
a slight turn, the lens's fall-off, one exposure or a drifting one. What is measured: corners, and
how far the prints are from those of the strips' own conversion (CIEDE2000, ROMM RGB under D50).
"""

import argparse
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from PIL import Image

from pipeline.event import Event
from pipeline.profile.space import find_space
from pipeline.render.cut import cut_light
from pipeline.render.look import Levels, as_print
from pipeline.render.scene import to_density_above, to_scene
from pipeline.roll.survey import RollFrame, SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings
from tests.film_model import ModelScan, random_roll
from tests.judged.roll import Truth, Values, colour, romm_lab, surveyed

MM_PER_INCH, PPI = 25.4, 500.0
SCANNERS = ("scanner-a", "scanner-b", "scanner-e")
SMALL = (60, 40)


@dataclass(frozen=True)
class Way:
    """How frames are photographed.

    `surround_mm` is seen beside the picture, at the most by a half more or less; `turn_deg` is the
    deviation of its turn; `fall_off` the light lost at the corners, `drift` the deviation of
    exposure, in stops; `base_scan` tells that clear film was taken as well.
    """

    surround_mm: float
    turn_deg: float = 0.5
    fall_off: float = 0.1
    drift: float = 0.0
    jpeg: bool = False
    base_scan: bool = False


WAYS = {
    "2 mm": Way(2.0),
    "0.6 mm": Way(0.6),
    "0.6 mm drift": Way(0.6, drift=0.15),
    "0.6 mm jpeg": Way(0.6, jpeg=True),
    "0.6 mm base scan": Way(0.6, fall_off=0.4, base_scan=True),
    "tight base scan": Way(-0.5, fall_off=0.4, base_scan=True),
    "tight base scan jpeg": Way(-0.5, fall_off=0.2, base_scan=True, jpeg=True),
    "tight": Way(-0.5),
}


def photographed(
    light: Values, outline: Any, way: Way, rng: np.random.Generator
) -> tuple[Values, Values]:
    """Return a frame's light (h, w, 3) with its surround, and its true corners (4, 2) in it."""
    corners = np.array(outline, float)
    px_per_mm = PPI / MM_PER_INCH
    right, down = corners[1] - corners[0], corners[3] - corners[0]
    size = np.array([np.hypot(*right), np.hypot(*down)])
    beside = way.surround_mm * px_per_mm * (1 + rng.uniform(-0.5, 0.5, 2))
    whole = np.rint(size + 2 * beside).astype(int)
    angle = np.radians(rng.normal(0.0, way.turn_deg)) + np.arctan2(right[1], right[0])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = corners.mean(axis=0) - turn @ ((whole - 1) / 2) + rng.normal(0, 0.1 * px_per_mm, 2)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(
        light, np.column_stack([turn, shift]), tuple(whole), flags=flags, borderValue=(0, 0, 0)
    )
    return seen, (corners - shift) @ turn


def lit(picture: Values, way: Way, stops: float) -> Values:
    """Return a picture's light under the lens's fall-off and an exposure."""
    rows, columns = picture.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    lost = way.fall_off * (0.5 * (x * x + y * y)) + 0.1 * way.fall_off * x
    return picture * (2.0 ** (stops - lost))[..., None]


def write(path: Path, light: Values, way: Way) -> Path:
    """Write light as a JPEG of sRGB or as a linear TIFF without any tag; return its path."""
    light = np.clip(light, 0.0, 1.0)
    if way.jpeg:
        codes = colour.RGB_COLOURSPACES["sRGB"].cctf_encoding(light)
        path = path.with_suffix(".jpg")
        Image.fromarray(np.rint(codes * 255).astype(np.uint8)).save(path, quality=95)
        return path
    path = path.with_suffix(".tif")
    tifffile.imwrite(path, np.rint(light * 65535).astype(np.uint16), photometric="rgb")
    return path


def roll_of(seed: int) -> list[ModelScan]:
    """Return the scans of a roll of nine frames without faults."""
    scanner = SCANNERS[seed % len(SCANNERS)]
    return random_roll(
        seed, ppi=PPI, scanner=scanner, frames=9, faults=False, drift=0.0, turn_deg=0
    )


def prints(roll: SurveyedRoll, frame: RollFrame, strip: Any, outline: Values) -> Values:
    """Return L*a*b* of a frame's print inside given corners, small."""
    scan = strip.scan
    inner = outline.mean(axis=0) + 0.94 * (outline - outline.mean(axis=0))
    light = cut_light(scan, tuple(map(tuple, inner)))
    whole = np.array(frame.survey.outline)
    left, top = inner[0] - whole[0]
    size = np.array([np.hypot(*(whole[k] - whole[0])) for k in (1, 3)])
    far = inner[2] - whole[0]
    base = frame.survey.base
    across, deep = base.right - base.left, base.bottom - base.top
    moved = {
        "left": base.left + left / size[0] * across,
        "right": base.left + far[0] / size[0] * across,
        "top": base.top + top / size[1] * deep,
        "bottom": base.top + far[1] / size[1] * deep,
    }
    above = to_density_above(light, type(base)(**{**vars(base), **moved}))
    shown = as_print(
        to_scene(above, frame.colour.colour), find_space("romm-rgb"), Levels(), roll.tone
    )
    return romm_lab(cv2.resize(shown, SMALL, interpolation=cv2.INTER_AREA).astype(float))


def judged(seed: int, way: Way, folder: Path) -> str:
    """Return a line about one roll photographed in one way."""
    scans = roll_of(seed)
    (folder / "strips").mkdir()
    strips = surveyed(scans, folder / "strips")
    rng = np.random.default_rng([seed, 8])
    told: list[tuple[Truth, Values, int]] = []
    paths = []
    for at, scan in enumerate(scans):
        light = scan.codes.astype(np.float32) / 65535 - dark_of(scan)
        for frame in scan.truth["strips"][0]["frames"]:
            seen, corners = photographed(light, frame["outline"], way, rng)
            stops = rng.normal(0.0, way.drift) if way.drift else 0.0
            paths.append(write(folder / f"f{len(paths):02}", lit(seen, way, stops), way))
            told.append((frame, corners, at))
    settings = Settings(reference=())
    if way.base_scan:
        base = np.ones((400, 600, 3)) * base_light(scans[0])
        path = write(folder / "clear", lit(base, way, 0.0), way)
        settings = Settings(reference=(), base_scan=str(path))
    failures: list[str] = []

    def listen(event: Event) -> None:
        if event.kind == "failed":
            failures.append(event.message)

    with ThreadPoolExecutor(1) as executor:
        roll = survey_roll(Roll("r", tuple(paths), RollNotes(), settings), executor, listen)
    return told_of(roll, strips, told, paths, failures)


def base_light(scan: ModelScan) -> Values:
    """Return the light of the film base of a linear scan, by its truth."""
    told = scan.truth["scanner"]
    gate = np.array(told["open_gate"]) * told["gains"] - dark_of(scan)
    return gate * 10.0 ** -np.array(scan.truth["strips"][0]["base_density"])


def dark_of(scan: ModelScan) -> Values:
    """Return the light that a scanner adds, which a camera takes off by itself."""
    return np.array(scan.truth["scanner"]["offset"], np.float32)


def told_of(
    roll: SurveyedRoll,
    strips: SurveyedRoll,
    told: list[tuple[Truth, Values, int]],
    paths: list[Path],
    failures: list[str],
) -> str:
    """Return the figures of a roll: corners in mm, colour and base against the strips'."""
    found = {s.scan.path: (s, row) for s, row in zip(roll.strips, roll.frames, strict=True)}
    corner_off, differences, extra = [], [], 0
    for (frame, corners, at), path in zip(told, paths, strict=True):
        if path not in found:
            continue
        strip, row = found[path]
        extra += len(row) - 1
        size = np.array([strip.scan.width, strip.scan.height]) - 0.5
        true = np.clip(corners, -0.5, size)
        off = np.abs(np.array(row[0].survey.outline) - true).max()
        corner_off.append(off / (PPI / MM_PER_INCH))
        own = strips.strips[at]
        index = int(
            np.argmin([_apart(f.survey.outline, frame["outline"]) for f in strips.frames[at]])
        )
        ours = prints(roll, row[0], strip, corners)
        theirs = prints(strips, strips.frames[at][index], own, np.array(frame["outline"], float))
        differences.append(float(np.median(colour.delta_E(ours, theirs))))
    if not differences:
        return f"none of {len(paths)} done: {failures[:1]}"
    return (
        f"{len(differences)} of {len(paths)} done, {extra} extra, corners "
        f"{np.median(corner_off):.2f} {np.max(corner_off):.2f} mm, colour "
        f"{np.median(differences):.2f} {np.max(differences):.2f}"
    )


def _apart(one: Any, other: Any) -> float:
    return float(np.abs(np.mean(one, axis=0) - np.mean(other, axis=0)).max())


def main() -> None:
    """Print a line for each way and seed."""
    parser = argparse.ArgumentParser(prog="tests.judged.single", description=main.__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("end", type=int, help="one more than the last seed")
    parser.add_argument("--ways", nargs="*", default=list(WAYS))
    words = parser.parse_args()
    for seed in range(words.first, words.end):
        for name in words.ways:
            with tempfile.TemporaryDirectory() as folder:
                line = judged(seed, WAYS[name], Path(folder))
            print(f"{seed:4d}  {name:22}{line}", flush=True)


if __name__ == "__main__":
    main()
