"""Reference frames of the film model against truth: `python -m tests.judged.reference 0 6`.

On each of two rolls of one film and scanner lie two charts. The first roll's colour is taken from
one chart and judged on the other; the profile fitted to it is judged on the second roll.
"""

import argparse
import tempfile
import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar

from pipeline.chart.chart import patch_error
from pipeline.colour.fit import SeenChart, fit_profile
from pipeline.colour.unmask import RollColour, from_profile
from pipeline.render.cut import cut_light
from pipeline.render.scene import to_density_above, to_scene
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.strip import StripSurvey
from tests.film_model import (
    ModelScan,
    film_names,
    load_scanner,
    random_roll,
    scanner_names,
    write_scan,
)
from tests.judged.roll import GREY_ROW, Truth, Values, chart_lab, matched, patch_means, true_strip

with warnings.catch_warnings():
    # It warns that it can't draw without a plotting library.
    warnings.simplefilter("ignore")
    import colour


@dataclass(frozen=True)
class Charted:
    """A chart of a surveyed roll: its number, where it was found, and its truth."""

    number: str
    strip: StripSurvey
    frame: FrameSurvey
    told: Truth


@dataclass(frozen=True)
class Judged:
    """How a chart comes out: CIEDE2000 of its patches in linear light, C*ab of its greys printed.

    Linear light is judged after one exposure scale, the best one.
    """

    difference: Values
    grey: Values


def charts_of(roll: SurveyedRoll, truths: dict[str, Truth]) -> list[Charted]:
    """Return the charts that lie whole in found frames."""
    found = []
    for strip, row in zip(roll.strips, roll.frames, strict=True):
        truth = true_strip(strip, truths[strip.scan.path.name])
        pairs = matched(strip, truth)
        read = {id(frame.survey): frame.number.number for frame in row}
        for told in truth["frames"]:
            if "patches" in told and told["index"] in pairs:
                frame = pairs[told["index"]]
                found.append(Charted(read[id(frame)], strip, frame, told))
    return found


def judged(chart: Charted, shown: RollColour) -> Judged:
    """Hold a chart as rendered with a colour against its colours by ISO 17321-1."""
    above = to_density_above(cut_light(chart.strip.scan, chart.frame.outline), chart.frame.base)
    scene = patch_means(to_scene(above, shown), chart.frame.outline, chart.told)
    want = np.array([patch["lab_d50"] for patch in chart.told["patches"]])

    def difference(log_scale: float) -> Values:
        return colour.delta_E(scene_lab(scene * 10.0**log_scale), want, method="CIE 2000")

    best = minimize_scalar(lambda scale: difference(scale).mean(), bounds=(-2, 2), method="bounded")
    lab = chart_lab(chart.strip, chart.frame, chart.told, shown)
    return Judged(difference(best.x), np.hypot(*lab[GREY_ROW, 1:].T))


def scene_lab(scene: Values) -> Values:
    """Return L*a*b* (D50) of linear ACEScg, all through colour-science, Bradford adapted."""
    space = colour.RGB_COLOURSPACES["ACEScg"]
    romm = colour.RGB_COLOURSPACES["ROMM RGB"]
    xyz = colour.RGB_to_XYZ(
        scene, space, illuminant=romm.whitepoint, chromatic_adaptation_transform="Bradford"
    )
    return colour.XYZ_to_Lab(xyz, romm.whitepoint)


def surveyed(
    scans: list[ModelScan], folder: Path, **settings: object
) -> tuple[SurveyedRoll, dict[str, Truth]]:
    """Write scans and survey them as one roll; return it with the truth by file name."""
    paths = tuple(Path(write_scan(folder, f"s{n}", scan)) for n, scan in enumerate(scans))
    with ThreadPoolExecutor(2) as executor:
        roll = Roll("r", paths, RollNotes(), Settings(**settings))  # type: ignore[arg-type]
        survey = survey_roll(roll, executor, lambda event: None)
    return survey, {f"s{n}.tif": scan.truth for n, scan in enumerate(scans)}


def row_of(seed: int, ppi: float, folder: Path) -> tuple[str, dict[str, Judged]]:
    """Return one line of the table, and what it shows."""
    film = film_names()[seed % len(film_names())]
    able = [name for name in scanner_names() if load_scanner(name).container_bits == 16]
    scanner = able[seed // len(film_names()) % len(able)]
    results: dict[str, Judged] = {}
    rolls = []
    for number in range(2):
        scans = random_roll(
            2 * seed + number + 500,
            film=film,
            scanner=scanner,
            ppi=ppi,
            frames=12,
            charts=2,
            faults=False,
        )
        sub = folder / str(number)
        sub.mkdir()
        rolls.append(surveyed(scans, sub))
    charts = [charts_of(*roll) for roll in rolls]
    clear = sum(chart.frame.chart is not None for of_roll in charts for chart in of_roll)
    named = f"{film} {scanner}: {clear} of {sum(map(len, charts))} charts found,"
    seen = charts[0][0].frame.chart
    if seen is None or len(charts[0]) < 2 or not charts[1]:
        return named + " not judged", results
    automatic = rolls[0][0].colour
    fit = fit_profile([SeenChart(seen.densities, patch_error(seen))], rolls[0][0].profile)
    shown = from_profile(fit.profile)
    results["same"] = judged(charts[0][1], shown)
    results["other"] = judged(charts[1][0], shown)
    results["auto"] = judged(charts[0][1], automatic)
    cells = [
        f"{name} {one.difference.mean():.2f}/{np.percentile(one.difference, 95):.2f}/"
        f"{np.median(one.grey):.2f}"
        for name, one in results.items()
    ]
    return f"{named} {automatic.how} " + "  ".join(cells), results


def main() -> None:
    """Judge rolls for a range of seeds; mean and 95th percentile of CIEDE2000, median C*ab."""
    parser = argparse.ArgumentParser(prog="tests.judged.reference", description=main.__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("end", type=int, help="one more than the last seed")
    parser.add_argument("--ppi", type=float, default=150.0)
    words = parser.parse_args()
    results: list[dict[str, Judged]] = []
    for seed in range(words.first, words.end):
        with tempfile.TemporaryDirectory() as folder:
            text, result = row_of(seed, words.ppi, Path(folder))
        print(f"{seed:4d} {text}", flush=True)
        results.append(result)
    for name in ("same", "other", "auto"):
        difference = np.concatenate([r[name].difference for r in results if name in r])
        grey = np.concatenate([r[name].grey for r in results if name in r])
        print(
            f"{name}: mean {difference.mean():.2f}, 95th percentile "
            f"{np.percentile(difference, 95):.2f}, greys {np.median(grey):.2f}"
        )


if __name__ == "__main__":
    main()
