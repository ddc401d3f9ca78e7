"""Reference frames of the film model against truth: `python -m tests.judged.reference 0 6`.

On each of two rolls of one film and scanner lie two charts. The first roll's colour is fitted to
one chart and judged on the other (same). The second roll's is solved from its pictures, its charts
left alone, and judged on one of them: from the profile that was fitted (other), and with nothing
known (none).
"""

import argparse
import tempfile
import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar

from pipeline.colour.unmask import RollColour, from_profile
from pipeline.profile import profile_text
from pipeline.render import PrintTone
from pipeline.render.cut import cut_light
from pipeline.render.scene import to_density_above, to_scene
from pipeline.roll.profile import roll_profile
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings import ReferenceFrame
from pipeline.settings.settings import Roll, RollNotes, Settings
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.strip import StripSurvey
from tests.film_model import ModelScan, load_scanner, random_roll, write_scan
from tests.film_model.scanner import scanners_of
from tests.film_model.stock import films_of
from tests.judged.roll import GREY_ROW, Truth, Values, chart_lab, matched, patch_means, true_strip

SPLITS = ("used", "left-out")

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


def judged(chart: Charted, shown: RollColour, tone: PrintTone) -> Judged:
    """Hold a chart as rendered with a colour against its colours by ISO 17321-1."""
    above = to_density_above(cut_light(chart.strip.scan, chart.frame.outline), chart.frame.base)
    scene = patch_means(to_scene(above, shown), chart.frame.outline, chart.told)
    want = np.array([patch["lab_d50"] for patch in chart.told["patches"]])

    def difference(log_scale: float) -> Values:
        return colour.delta_E(scene_lab(scene * 10.0**log_scale), want, method="CIE 2000")

    best = minimize_scalar(lambda scale: difference(scale).mean(), bounds=(-2, 2), method="bounded")
    lab = chart_lab(chart.strip, chart.frame, chart.told, shown, tone)
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


def row_of(
    seed: int, ppi: float, folder: Path, split: str = "left-out"
) -> tuple[str, dict[str, Judged]]:
    """Return one line of the table, and what it shows, of a film and scanner of a split."""
    films = films_of(split)
    film = films[seed % len(films)]
    able = [name for name in scanners_of(split) if load_scanner(name).container_bits == 16]
    scanner = able[seed // len(films) % len(able)]
    drawn = [
        random_roll(
            2 * seed + number + 500,
            film=film,
            scanner=scanner,
            ppi=ppi,
            frames=12,
            charts=2,
            faults=False,
        )
        for number in range(2)
    ]
    folders = [folder / name for name in ("first", "none", "other")]
    for each in folders:
        each.mkdir()
    first = surveyed(drawn[0], folders[0])
    charts = charts_of(*first)
    none = surveyed(drawn[1], folders[1], reference=())
    clear = sum(chart.frame.chart is not None for chart in charts)
    named = f"{film} {scanner}: {clear} of {len(charts)} charts found,"
    if len(charts) < 2 or charts[0].frame.chart is None or not charts_of(*none):
        return named + " not judged", {}
    fitted = roll_profile(first[0], [ReferenceFrame(frame=charts[0].number)], "fitted").profile
    path = folder / "fitted.toml"
    path.write_text(profile_text(fitted))
    other = surveyed(drawn[1], folders[2], reference=(), profile=str(path))
    results = {"same": judged(charts[1], from_profile(fitted), first[0].tone)}
    for name, roll in (("other", other), ("none", none)):
        results[name] = judged(charts_of(*roll)[0], roll[0].colour, roll[0].tone)
    cells = [
        f"{name} {one.difference.mean():.2f}/{np.percentile(one.difference, 95):.2f}/"
        f"{np.median(one.grey):.2f}"
        for name, one in results.items()
    ]
    return f"{named} " + "  ".join(cells), results


def main() -> None:
    """Judge rolls for a range of seeds; mean and 95th percentile of CIEDE2000, median C*ab."""
    parser = argparse.ArgumentParser(prog="tests.judged.reference", description=main.__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("end", type=int, help="one more than the last seed")
    parser.add_argument("--ppi", type=float, default=150.0)
    parser.add_argument("--split", choices=SPLITS, default="left-out", help="of film and scanner")
    words = parser.parse_args()
    results: list[dict[str, Judged]] = []
    for seed in range(words.first, words.end):
        with tempfile.TemporaryDirectory() as folder:
            text, result = row_of(seed, words.ppi, Path(folder), words.split)
        print(f"{seed:4d} {text}", flush=True)
        results.append(result)
    for name in ("same", "other", "none"):
        difference = np.concatenate([r[name].difference for r in results if name in r])
        grey = np.concatenate([r[name].grey for r in results if name in r])
        print(
            f"{name}: mean {difference.mean():.2f}, 95th percentile "
            f"{np.percentile(difference, 95):.2f}, greys {np.median(grey):.2f}"
        )


if __name__ == "__main__":
    main()
