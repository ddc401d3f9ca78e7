"""Colour of film model rolls by condition: `python -m tests.judged.colour --seeds 0 2`.

For every condition, film and seed a small roll is scanned, surveyed as one roll and solved, and
the charts among its frames are held against the chart's own colours (CIE L*a*b* under D50):

chart     CIEDE2000 of the 24 patches in scene light after one exposure scale, mean and 95th
          percentile
lin, prn  median C*ab of the grey row in scene light and in the print look
strips    mean CIEDE2000 between the same charts on strips of differing gain, print look
exposure  charts of very different exposure, printed as their exposure trim leaves them
bias      mean a*, b* of the grey row's middle greys in scene light: the cast and its hue

Colour differences are colour-science's (ISO/CIE 11664-6), the chart's reflectances the ISO
17321-1 set. With `--keep FOLDER` surveys are kept, so that another solve takes seconds;
`--known` tells the solve the film's true slopes, in place of the profile's.
"""

import argparse
import itertools
import pickle
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize_scalar

from pipeline.colour.frame import picture_key, trim_stops, usual_exposure, usual_key
from pipeline.colour.solve import solve_roll, with_exposure
from pipeline.colour.unmask import RollColour
from pipeline.kinds import HOLDS_PICTURE
from pipeline.profile.curve import LayerCurve
from pipeline.profile.film import FilmProfile, find_film
from pipeline.profile.space import find_space
from pipeline.render.cut import cut_light
from pipeline.render.look import Levels, as_print
from pipeline.render.scene import to_density_above, to_scene
from pipeline.render.tone import PrintTone
from pipeline.roll.survey import SurveyedRoll, tone_of_roll
from pipeline.survey import edge_print
from pipeline.survey.samples import picture_samples
from tests.film_model import Process, film_names, load_film, load_scanner, scanner_names
from tests.film_model.dyes import base_dye, spectral_density
from tests.judged.colour_cases import CASES, Case, Setup, case_scans
from tests.judged.roll import GREY_ROW, PATCH_REACH, colour, matched, romm_lab, surveyed, true_strip

Values = NDArray[np.floating[Any]]

# Of the grey row, white to black: the three that lie where a cast is seen best.
MIDDLE_GREYS = slice(19, 22)


@dataclass(frozen=True)
class Chart:
    """A chart on film: density above base at its patches (24, n, 3), colours (24, 3), exposure.

    `samples` are the survey's of the whole frame, by which its exposure is trimmed.
    """

    above: Values
    samples: Values
    lab: Values
    stops: float


@dataclass(frozen=True)
class Kept:
    """A roll as surveyed, and the charts found on it."""

    roll: SurveyedRoll
    charts: tuple[Chart, ...]
    lost: int


@dataclass(frozen=True)
class Judged:
    """What the charts of one roll show; `stops` is their exposure, a figure each."""

    stops: tuple[float, ...]
    mean: tuple[float, ...]
    p95: tuple[float, ...]
    linear: tuple[float, ...]
    printed: tuple[float, ...]
    bias: tuple[tuple[float, float], ...]
    trims: tuple[float, ...]
    between: float | None
    lost: int


def kept_roll(case: Case, setup: Setup, seed: int, profile: str | None, folder: Path) -> Kept:
    """Make a roll, survey it, and keep what is needed to solve and judge it again."""
    scans = case_scans(case, setup, seed)
    roll = surveyed(scans, folder)
    if profile is not None:
        settings = replace(roll.roll.settings, profile=profile)
        roll = replace(roll, roll=replace(roll.roll, settings=settings))
    charts, lost = [], 0
    truths = {f"s{n}.tif": scan.truth for n, scan in enumerate(scans)}
    for strip in roll.strips:
        truth = true_strip(strip, truths[strip.scan.path.name])
        pairs = matched(strip, truth)
        for told in (frame for frame in truth["frames"] if "patches" in frame):
            if told["index"] not in pairs:
                lost += 1
                continue
            frame = pairs[told["index"]]
            above = to_density_above(cut_light(strip.scan, frame.outline), frame.base)
            lab = np.array([patch["lab_d50"] for patch in told["patches"]])
            patches = patch_parts(above, frame.outline, told)
            charts.append(Chart(patches, frame.samples, lab, told["exposure_stops"]))
    return Kept(roll, tuple(charts), lost)


def patch_parts(picture: Values, outline: Any, told: dict[str, Any]) -> Values:
    """Return the pixels of the middle of each patch (24, n, 3) of a straightened picture."""
    corners = np.array(outline)
    axes = np.array([corners[1] - corners[0], corners[3] - corners[0]]).T
    size = np.array(picture.shape[1::-1])
    parts, reach = [], 1
    for patch in told["patches"]:
        at, *bounds = (
            np.linalg.solve(axes, np.array(point) - corners[0]) * size - 0.5
            for point in (patch["centre"], *patch["corners"])
        )
        if not parts:
            reach = max(1, int(np.abs(bounds[0] - bounds[2]).min() * PATCH_REACH))
        x, y = np.rint(at).astype(int)
        part = picture[y - reach : y + reach + 1, x - reach : x + reach + 1]
        parts.append(part.reshape(-1, 3))
    return np.array(parts)


def solved(kept: Kept, profile: FilmProfile) -> RollColour:
    """Return the roll's colour as its pictures and edge print give it, by a profile."""
    samples = picture_samples(kept.roll.strips)
    printed = edge_print(kept.roll.strips)
    return with_exposure(solve_roll(samples, profile, printed), samples)


def known_profile(profile: FilmProfile, setup: Setup) -> FilmProfile:
    """Return a profile with the film's true slopes and toes, as grey steps on it show them."""
    film, process, device = load_film(setup.film), Process(), load_scanner(setup.scanner)
    exposure = np.repeat(2.0 ** np.arange(-7, 6.1, 0.5)[:, None], 3, axis=1)
    dye = film.develop(exposure, process)
    base = device.density(spectral_density(film, process, base_dye(film, process)))
    above = device.density(spectral_density(film, process, dye)) - base
    layers = above @ np.asarray(profile.unmask).T
    curves = [_fitted(0.18 * exposure[:, n], layers[:, n], profile.curves[n]) for n in range(3)]
    return replace(
        profile,
        curves=(curves[0], curves[1], curves[2]),
        slope_spread=min(profile.slope_spread, 0.01),
        contrast_spread=min(profile.contrast_spread, 0.02),
    )


def _fitted(exposure: Values, density: Values, start: LayerCurve) -> LayerCurve:
    def curve(theta: Values) -> LayerCurve:
        slope, toe, power = np.exp(theta)
        return replace(start, slope=slope, toe_exposure=toe, toe_power=power)

    first = np.log([start.slope, start.toe_exposure, start.toe_power])
    found = least_squares(lambda theta: curve(theta).density(exposure) - density, first)
    return curve(found.x)


def judged(kept: Kept, shown: RollColour) -> Judged:
    """Hold the charts of a roll against their colours."""
    linear, rows, lifts = [], [], []
    for chart in kept.charts:
        lab, lift = scene_lab(chart, shown)
        off = colour.delta_E(lab, chart.lab, method="CIE 2000")
        linear.append(chroma(lab))
        lifts.append(lift + chart.stops)
        rows.append((off.mean(), np.percentile(off, 95), *lab[MIDDLE_GREYS, 1:].mean(axis=0)))
    # One factor for the whole roll, so that charts on its strips may still differ in lightness.
    lift = float(np.median(lifts)) if lifts else 0.0
    trims = trimmed_stops(kept, shown)
    settings = kept.roll.roll.settings
    strips = kept.roll.strips
    tone = tone_of_roll(strips, shown, usual_exposure(strips, shown, settings))
    alike = len({chart.stops for chart in kept.charts}) == 1
    printed = [
        print_lab(chart, shown, lift - chart.stops if alike else trim, tone)
        for chart, trim in zip(kept.charts, trims, strict=True)
    ]
    pairs = itertools.combinations(printed, 2)
    differences = [float(colour.delta_E(a, b, method="CIE 2000").mean()) for a, b in pairs]
    return Judged(
        stops=tuple(chart.stops for chart in kept.charts),
        mean=tuple(float(row[0]) for row in rows),
        p95=tuple(float(row[1]) for row in rows),
        linear=tuple(linear),
        printed=tuple(chroma(lab) for lab in printed),
        bias=tuple((float(row[2]), float(row[3])) for row in rows),
        trims=tuple(trims),
        between=float(np.mean(differences)) if alike and differences else None,
        lost=kept.lost,
    )


def trimmed_stops(kept: Kept, shown: RollColour) -> list[float]:
    """Return what `--even-exposure` would lighten each chart by."""
    frames = [f for strip in kept.roll.strips for f in strip.frames if f.kind in HOLDS_PICTURE]
    usual = usual_key([picture_key(frame.samples, shown) for frame in frames])
    return [trim_stops(picture_key(chart.samples, shown), usual) for chart in kept.charts]


def chroma(lab: Values) -> float:
    """Return the median C*ab of the grey row."""
    return float(np.median(np.hypot(*lab[GREY_ROW, 1:].T)))


def scene_lab(chart: Chart, shown: RollColour) -> tuple[Values, float]:
    """Return L*a*b* (D50) of a chart's scene light and the stops that bring it to its colours."""
    scene = to_scene(np.asarray(chart.above, np.float32), shown).mean(axis=1).astype(float)
    acescg = colour.RGB_COLOURSPACES["ACEScg"]
    white = colour.xy_to_XYZ(acescg.whitepoint)
    d50 = colour.xy_to_XYZ(colour.RGB_COLOURSPACES["ROMM RGB"].whitepoint)
    xyz = scene @ acescg.matrix_RGB_to_XYZ.T
    adapted = colour.adaptation.chromatic_adaptation_VonKries(xyz, white, d50, "Bradford")

    def lab(stops: float) -> Values:
        scaled = np.maximum(adapted * 2.0**stops, 0.0)
        return colour.XYZ_to_Lab(scaled, colour.XYZ_to_xy(d50))

    def off(stops: float) -> float:
        return float(colour.delta_E(lab(stops), chart.lab, method="CIE 2000").mean())

    wanted = colour.Lab_to_XYZ(chart.lab, colour.XYZ_to_xy(d50))[:, 1]
    near = np.median(np.log2(wanted / np.maximum(adapted[:, 1], 1e-6)))
    lift = float(minimize_scalar(off, bounds=(near - 1, near + 1), method="bounded").x)
    return lab(lift), lift


def print_lab(chart: Chart, shown: RollColour, stops: float, tone: PrintTone) -> Values:
    """Return L*a*b* (D50) of a chart in the print look, lightened by so many stops."""
    trimmed = replace(shown, exposure=shown.exposure * 2.0**stops)
    scene = to_scene(np.asarray(chart.above, np.float32), trimmed)
    return romm_lab(as_print(scene, find_space("romm-rgb"), Levels(), tone).mean(axis=1))


def kept_rolls(
    case: Case, words: argparse.Namespace, folder: Path
) -> Iterator[tuple[Setup, int, Kept]]:
    """Make the rolls of a case, or take them from where they are kept."""
    for film, seed in itertools.product(words.films, range(*words.seeds)):
        scanner = words.scanners[seed % len(words.scanners)]
        frames = 3 * words.frames if case.name in words.long else words.frames
        setup = Setup(film, scanner, words.ppi, frames)
        place = folder / f"{case.name}-{film}-{scanner}-{seed}-{frames}-{words.ppi:g}.pickle"
        if place.exists():
            yield setup, seed, pickle.loads(place.read_bytes())
            continue
        with tempfile.TemporaryDirectory() as scans:
            kept = kept_roll(case, setup, seed, words.profile, Path(scans))
        place.write_bytes(pickle.dumps(kept))
        yield setup, seed, kept


def row_of(case: str, setup: Setup, seed: int, roll: Judged, shown: RollColour) -> str:
    """Return one line of the table, all charts of a roll together."""
    bias = " ".join(f"{a:+5.1f},{b:+5.1f}" for a, b in roll.bias)
    stops = "" if len(set(roll.stops)) == 1 else " stops " + " ".join(f"{s:+g}" for s in roll.stops)
    each = " ".join(
        f"{chroma:.1f} (trim {trim:+.1f})"
        for chroma, trim in zip(roll.printed, roll.trims, strict=True)
    )
    each = each if stops else ""
    between = "   -" if roll.between is None else f"{roll.between:4.2f}"
    slopes = " ".join(f"{value:.3f}" for value in shown.slopes())
    return (
        f"{case:9} {setup.film} {setup.scanner} {seed:3d}  {_mean(roll.mean):5.2f} "
        f"{_mean(roll.p95):5.2f}  {_mean(roll.linear):5.2f} {_mean(roll.printed):5.2f}  {between}  "
        f"{bias}  slopes {slopes}{stops} {each}{' LOST' if roll.lost else ''}"
    )


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else float("nan")


def total_of(case: str, rolls: Sequence[Judged]) -> str:
    """Return the line of a condition: means over its rolls, medians and worst of the greys."""
    linear, printed = (
        np.array([_mean(getattr(r, n)) for r in rolls]) for n in ("linear", "printed")
    )
    between = [roll.between for roll in rolls if roll.between is not None]
    return (
        f"{case:9} {len(rolls):3d} rolls  chart {np.mean([_mean(r.mean) for r in rolls]):5.2f} "
        f"p95 {np.mean([_mean(r.p95) for r in rolls]):5.2f}  "
        f"lin median {np.median(linear):5.2f} worst {linear.max():5.2f}  "
        f"prn median {np.median(printed):5.2f} worst {printed.max():5.2f}  "
        f"strips {f'{np.mean(between):.2f} worst {max(between):.2f}' if between else '-'}"
    )


def _words() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="tests.judged.colour",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    scanners = [name for name in scanner_names() if load_scanner(name).container_bits == 16]
    parser.add_argument("--cases", nargs="+", default=list(CASES), choices=list(CASES))
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 1), metavar=("FIRST", "END"))
    parser.add_argument("--films", nargs="+", default=film_names(), choices=film_names())
    parser.add_argument("--scanners", nargs="+", default=scanners, choices=scanner_names())
    parser.add_argument("--profile", help="film profile or .toml file; default as the roll shows")
    parser.add_argument("--known", action="store_true", help="tell the solve the true slopes")
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--long", nargs="*", default=[], help="cases with three times the frames")
    parser.add_argument("--ppi", type=float, default=150.0)
    parser.add_argument("--keep", type=Path, help="folder for surveyed rolls, taken again if there")
    return parser.parse_args()


def main() -> None:
    """Judge rolls of all conditions and print a table."""
    words = _words()
    print("case      film   scanner  seed  chart   p95    lin   prn  strips  bias a*,b*")
    totals = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = words.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for name in words.cases:
            rolls = []
            for setup, seed, kept in kept_rolls(CASES[name], words, folder):
                profile = find_film(words.profile) if words.profile else kept.roll.profile
                profile = known_profile(profile, setup) if words.known else profile
                shown = solved(kept, profile)
                rolls.append(judged(kept, shown))
                print(row_of(name, setup, seed, rolls[-1], shown), flush=True)
            totals.append(total_of(name, rolls))
    print("\n".join(["", *totals]))


if __name__ == "__main__":
    main()
