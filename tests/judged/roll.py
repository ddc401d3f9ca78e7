"""Whole rolls of the film model held against their truth: `python -m tests.judged.roll 135 0 10`.

What is measured: which frames are found, how far the film base is off in density, and how far
the grey row of a colour chart is from neutral in the print look, in CIE 1976 L*a*b*.
"""

import argparse
import tempfile
import warnings
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.colour.unmask import RollColour
from pipeline.event import Event
from pipeline.profile.space import find_space
from pipeline.render.cut import cut_light
from pipeline.render.look import Levels, as_print
from pipeline.render.scene import to_density_above, to_scene
from pipeline.render.tone import PrintTone
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.strip import StripSurvey
from tests.film_model import ModelScan, random_roll, write_scan

with warnings.catch_warnings():
    # It warns that it can't draw without a plotting library.
    warnings.simplefilter("ignore")
    import colour

Truth = dict[str, Any]
Values = NDArray[np.floating[Any]]

GREY_ROW = slice(18, 24)
# Share of the two outlines together that both cover; half a millimetre off on every side of a
# 135 frame leaves 0.93.
SAME_FRAME = 0.9
# Half the side of the part of a patch that is averaged, as a share of the patch's side.
PATCH_REACH = 0.25


class ScansRefused(AssertionError):
    """Scans that hold a roll were refused."""


@dataclass(frozen=True)
class JudgedRoll:
    """How a surveyed roll differs from its truth.

    `missed` are numbers of true frames that no found frame covers, `extra` the kinds of found
    frames that cover no true one; `base_off` is the greatest error of the base of each strip
    whose densities are absolute, `relative` counts the other strips; `chart_grey` has the C*ab
    of the six greys for each chart.
    """

    film: str
    scanner: str
    frames: int
    missed: tuple[str, ...]
    extra: tuple[str, ...]
    wrong_numbers: tuple[str, ...]
    base_off: tuple[float, ...]
    relative: int
    chart_grey: tuple[Values, ...]


def random_judged(seed: int, format: str, ppi: float, folder: Path) -> JudgedRoll:
    """Make a random roll, survey it and judge it."""
    scans = random_roll(seed, format, ppi=ppi)
    return judged(surveyed(scans, folder), {f"s{n}.tif": s.truth for n, s in enumerate(scans)})


def surveyed(scans: Sequence[ModelScan], folder: Path) -> SurveyedRoll:
    """Write scans as s0.tif, s1.tif, ... and survey them as one roll; none may fail.

    Charts on it set no colour: what the pictures alone tell is to be judged by them.
    """
    paths = tuple(Path(write_scan(folder, f"s{n}", scan)) for n, scan in enumerate(scans))
    failures: list[str] = []

    def listen(event: Event) -> None:
        if event.kind == "failed":
            failures.append(event.message)

    with ThreadPoolExecutor(2) as executor:
        roll = survey_roll(Roll("r", paths, RollNotes(), Settings(reference=())), executor, listen)
    if failures:
        raise ScansRefused(failures)
    return roll


def judged(roll: SurveyedRoll, truths: dict[str, Truth]) -> JudgedRoll:
    """Hold a surveyed roll against the truth of its scans by file name."""
    missed, extra, wrong, base_off, greys = [], [], [], [], []
    for strip, row in zip(roll.strips, roll.frames, strict=True):
        truth = true_strip(strip, truths[strip.scan.path.name])
        pairs = matched(strip, truth)
        missed += [f["number"] for f in truth["frames"] if f["index"] not in pairs]
        covered = {id(frame) for frame in pairs.values()}
        extra += [frame.kind for frame in strip.frames if id(frame) not in covered]
        read = {id(frame.survey): frame.number for frame in row}
        for told in (f for f in truth["frames"] if f["index"] in pairs):
            number = read[id(pairs[told["index"]])]
            if number.number_from == "edge" and number.number != two_digits(told["number"]):
                wrong.append(told["number"])
            if "patches" in told:
                lab = chart_lab(strip, pairs[told["index"]], told, roll.colour, roll.tone)
                greys.append(np.hypot(*lab[GREY_ROW, 1:].T))
        if strip.base.illumination.absolute:
            off = np.subtract(strip.base.density, truth["base_density"])
            base_off.append(float(np.abs(off).max()))
    strips = [strip for truth in truths.values() for strip in truth["strips"]]
    lost = len(strips) - len(roll.strips)
    return JudgedRoll(
        film=strips[0]["film"],
        scanner=next(iter(truths.values()))["scanner"]["name"],
        frames=sum(len(strip["frames"]) for strip in strips),
        missed=(*missed, *["a whole strip"] * lost),
        extra=tuple(extra),
        wrong_numbers=tuple(wrong),
        base_off=tuple(base_off),
        relative=len(roll.strips) - len(base_off),
        chart_grey=tuple(greys),
    )


def two_digits(number: str) -> str:
    """Return a frame number with two digits, the A of a half number after them."""
    return number.rstrip("A").zfill(2) + "A" * number.endswith("A")


def true_strip(strip: StripSurvey, truth: Truth) -> Truth:
    """Return the truth of the strip that lies where a found one does."""
    return max(truth["strips"], key=lambda told: overlap(strip.outline, told["outline"]))


def matched(strip: StripSurvey, truth: Truth) -> dict[int, FrameSurvey]:
    """Return found frames by the index of the true frame that each covers."""
    pairs = {}
    for told in truth["frames"]:
        best = max(strip.frames, key=lambda f: overlap(f.outline, told["outline"]), default=None)
        if best is not None and overlap(best.outline, told["outline"]) > SAME_FRAME:
            pairs[told["index"]] = best
    return pairs


def overlap(first: Any, second: Any) -> float:
    """Return the share of two convex outlines together that both cover."""
    a, b = np.array(first, np.float32), np.array(second, np.float32)
    both = cv2.intersectConvexConvex(a, b)[0]
    return both / (cv2.contourArea(a) + cv2.contourArea(b) - both)


def chart_lab(
    strip: StripSurvey, frame: FrameSurvey, told: Truth, shown: RollColour, tone: PrintTone
) -> Values:
    """Return L*a*b* of a chart's 24 patches in the print look, rendered as the archive is."""
    above = to_density_above(cut_light(strip.scan, frame.outline), frame.base)
    space = find_space("romm-rgb")
    picture = as_print(to_scene(above, shown), space, Levels(), tone)
    return romm_lab(patch_means(picture, frame.outline, told))


def patch_means(picture: Values, outline: Any, told: Truth) -> Values:
    """Return the mean of each patch (24, 3) in a straightened picture of a frame."""
    corners = np.array(outline)
    axes = np.array([corners[1] - corners[0], corners[3] - corners[0]]).T
    size = np.array(picture.shape[1::-1])
    rows = []
    for patch in told["patches"]:
        at, *bounds = (
            np.linalg.solve(axes, np.array(point) - corners[0]) * size - 0.5
            for point in (patch["centre"], *patch["corners"])
        )
        reach = max(1, int(np.abs(bounds[0] - bounds[2]).min() * PATCH_REACH))
        x, y = np.rint(at).astype(int)
        part = picture[y - reach : y + reach + 1, x - reach : x + reach + 1]
        rows.append(part.reshape(-1, 3).mean(axis=0))
    return np.array(rows)


def romm_lab(encoded: Values) -> Values:
    """Return L*a*b* (D50) of ROMM RGB values 0 to 1, all through colour-science (ISO 22028-2)."""
    romm = colour.RGB_COLOURSPACES["ROMM RGB"]
    xyz = romm.cctf_decoding(encoded) @ romm.matrix_RGB_to_XYZ.T
    return colour.XYZ_to_Lab(xyz, romm.whitepoint)


def row_of(seed: int, roll: JudgedRoll) -> str:
    """Return one line of the table."""
    base = f"{max(roll.base_off):.4f}" if roll.base_off else "-"
    greys = " ".join(f"{np.median(grey):.2f}" for grey in roll.chart_grey) or "-"
    lost = ",".join(roll.missed) or "-"
    extra = ",".join(roll.extra) or "-"
    wrong = ",".join(roll.wrong_numbers) or "-"
    return (
        f"{seed:4d}  {roll.film:8}{roll.scanner:11}{roll.frames:6d}  {lost:12}{extra:12}{wrong:12}"
        f"{base:>7}{roll.relative:9d}  {greys}"
    )


def main() -> None:
    """Judge random rolls of a format for a range of seeds and print a table."""
    parser = argparse.ArgumentParser(prog="tests.judged.roll", description=main.__doc__)
    parser.add_argument("format")
    parser.add_argument("first", type=int)
    parser.add_argument("end", type=int, help="one more than the last seed")
    parser.add_argument("--ppi", type=float, default=200.0)
    words = parser.parse_args()
    print(
        "seed  film    scanner   frames  missed      extra       misnumbered base D relative  C*ab"
    )
    for seed in range(words.first, words.end):
        with tempfile.TemporaryDirectory() as folder:
            print(row_of(seed, random_judged(seed, words.format, words.ppi, Path(folder))))


if __name__ == "__main__":
    main()
