"""Charts that are hard to read, on two strips: `python -m tests.judged.charts --seeds 0 4`.

On each roll one chart is exposed or stored as its condition says and sets the colour; another, as
metered, lies on a strip that was scanned with other gains. For films and scanners that constants
were set on and for others it prints, side by side, CIEDE2000 of the first chart itself and of the
other one, mean and 95th percentile, and the C*ab of the other one's greys (mean of their medians).
"""

import argparse
import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.chart.chart import patch_error
from pipeline.colour.fit import SeenChart, fit_profile
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.render.cut import cut_light
from pipeline.render.scene import to_density_above
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings
from tests.film_model import Camera, FrameSpec, cut_roll, load_scanner, scan_strips
from tests.film_model import Roll as Film
from tests.film_model.random_roll import random_frames
from tests.film_model.scanner import scanners_of
from tests.film_model.stock import films_of
from tests.fitted.generic import delta_e, grey_chroma
from tests.judged.colour_cases import OPEN_GATE
from tests.judged.light_cases import Capture
from tests.judged.reference import charts_of
from tests.judged.roll import Truth, Values, patch_means

SPLITS = ("used", "left-out")
MIDDLE_GREYS, MIDDLE_GREEN = slice(18, 22), 0.42


@dataclass(frozen=True)
class Condition:
    """How the chart that sets the colour was exposed, and how the roll's scans are stored."""

    stops: float | None = None
    blur_mm: float = 0.0
    vignetting_stops: float = 0.3
    quality: int | None = None


CONDITIONS: Mapping[str, Condition] = {
    "full": Condition(),
    "blurred": Condition(blur_mm=0.12),
    "uneven": Condition(vignetting_stops=1.0),
    "under-exposed": Condition(stops=-2.0),
    "JPEG": Condition(quality=85),
    "JPEG, under-exposed": Condition(stops=-2.0, quality=85),
}


def is_linear(name: str) -> bool:
    """Tell whether a scanner stores light itself, so that a file may give it another tone."""
    scanner = load_scanner(name)
    return scanner.container_bits == 16 and scanner.gamma == 1.0 and scanner.tone != "srgb"


def surveyed(
    condition: Condition, split: str, seed: int, ppi: float, folder: Path
) -> tuple[SurveyedRoll, dict[str, Truth]]:
    """Make a roll of two strips of three frames, write it and survey it, with its truth."""
    rng = np.random.default_rng([seed, 91, *split.encode()])
    film = str(rng.choice(films_of(split)))
    scanner = str(rng.choice([name for name in scanners_of(split) if is_linear(name)]))
    pictures = random_frames(rng, 4, charts=0)
    drawn = float(rng.normal(0.0, 0.3))
    first = FrameSpec("chart", drawn if condition.stops is None else condition.stops)
    frames = (pictures[0], first, *pictures[1:3], FrameSpec("chart"), pictures[3])
    camera = Camera(
        flare=float(rng.uniform(0.0, 0.006)),
        vignetting_stops=condition.vignetting_stops,
        blur_mm=condition.blur_mm,
    )
    strips = cut_roll(Film(film, frames, camera=camera, seed=seed), 3, rng.normal(0, 0.3, 2))
    gains = [tuple(row) for row in np.clip(rng.normal(1, 0.04, (2, 3)), 0.85, 1.15).tolist()]
    scans = scan_strips(strips, 1, gains, seed, scanner=scanner, ppi=ppi, open_gate=OPEN_GATE)
    capture = Capture(quality=condition.quality, tone="srgb")
    if condition.quality is None:
        capture = replace(capture, tone="power")
    paths = tuple(capture.write(folder, f"s{n}", scan) for n, scan in enumerate(scans))
    with ThreadPoolExecutor(1) as executor:
        roll = Roll("r", paths, RollNotes(), Settings(reference=()))
        survey = survey_roll(roll, executor, lambda event: None)
    return survey, {path.name: scan.truth for path, scan in zip(paths, scans, strict=True)}


def judged(roll: SurveyedRoll, truths: dict[str, Truth]) -> tuple[Values, Values, float] | None:
    """Return CIEDE2000 (24,) of both charts by the first one's fit, and C*ab of greys, or None."""
    charts = charts_of(roll, truths)
    if len(charts) < 2 or charts[0].frame.chart is None:
        return None
    seen = charts[0].frame.chart
    fit = fit_profile([SeenChart(seen.densities, patch_error(seen))], roll.profile)
    lights = []
    for chart in charts[:2]:
        above = to_density_above(cut_light(chart.strip.scan, chart.frame.outline), chart.frame.base)
        patches = patch_means(above, chart.frame.outline, chart.told)
        light = scene_light(patches, from_profile(fit.profile))
        lights.append(light * MIDDLE_GREEN / light[MIDDLE_GREYS, 1].mean())
    return delta_e(lights[0]), delta_e(lights[1]), grey_chroma(lights[1])


def row_of(name: str, split: str, seeds: range, ppi: float) -> str:
    """Return the figures of a condition on one split."""
    found, lost = [], 0
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            one = judged(*surveyed(CONDITIONS[name], split, seed, ppi, Path(folder)))
        lost += one is None
        found += [] if one is None else [one]
    if not found:
        return f"none of {lost} found"
    own, other = (np.concatenate([one[part] for one in found]) for part in (0, 1))
    greys = float(np.mean([one[2] for one in found]))
    return (
        f"{own.mean():5.2f} {np.percentile(own, 95):5.2f}  {other.mean():5.2f} "
        f"{np.percentile(other, 95):5.2f}  {greys:5.2f}{f' {lost} lost' if lost else ''}"
    )


def main() -> None:
    """Judge rolls of all conditions on both splits and print a table."""
    parser = argparse.ArgumentParser(
        prog="tests.judged.charts",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--conditions", nargs="+", default=CONDITIONS, choices=CONDITIONS)
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 4), metavar=("FIRST", "END"))
    parser.add_argument("--ppi", type=float, default=250.0)
    words = parser.parse_args()
    print(f"{'':31}own   p95    other   p95  greys")
    for name in words.conditions:
        for split in SPLITS:
            print(f"{name:20} {split:9}", row_of(name, split, range(*words.seeds), words.ppi))


if __name__ == "__main__":
    main()
