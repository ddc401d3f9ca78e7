"""Photographs of strips by condition, held against their truth: a table of what is found.

`python -m tests.judged.photographs --seeds 0 3` photographs 3 drawn strips under every condition
and prints the rows of `tests.judged.strips`, with the worst corner and the error of the base.
"""

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.problem import ScanProblem
from pipeline.settings.settings import Settings
from pipeline.survey.scan import survey_scan
from tests.film_model import Holder, ModelScan, random_plan
from tests.film_model.photograph import Photograph, Shot, photograph
from tests.judged.strips import HEAD, Judged, judged_strips, row_of

Rng = np.random.Generator
# Strips are drawn so fine that a photograph of 4000 pixels shows no more than they hold.
DRAWN_PPI = 400.0
BRIGHT = Holder(opaque=False, border_mm=6.0)
MASK = Holder(window_margin_mm=1.5, end_margin_mm=3.0, border_mm=30.0, transmittance=0.0)


@dataclass(frozen=True)
class PhotographCase:
    """One condition: its name, what draws a shot, and what is photographed."""

    name: str
    shot: Callable[[Rng], Shot]
    holder: Holder = BRIGHT
    format: str = "135"
    count: int | None = None

    def make(self, seed: int) -> Photograph:
        """Return the photograph of a seed."""
        rng = np.random.default_rng([seed, *self.name.encode()])
        plan = random_plan(rng, self.format, self.count)
        plan = replace(plan, scanner="scanner-a", turn_deg=0, gains=(1.0, 1.0, 1.0))
        scan: ModelScan = replace(plan, holder=self.holder).scan(DRAWN_PPI)
        return photograph(scan, self.shot(rng), seed)


def hand_held(rng: Rng, **changes: Any) -> Shot:
    """Draw a shot as hands take it: a little aslant and turned, through a lens, of uneven light."""
    drawn = Shot(
        across=0.85,
        shift=(0.0, float(rng.uniform(-0.12, 0.12))),
        turn_deg=float(rng.uniform(-4, 4)),
        aslant=(float(rng.uniform(-0.03, 0.03)), float(rng.uniform(-0.03, 0.03))),
        radial=float(rng.uniform(-0.01, 0.02)),
        fall_off=float(rng.uniform(0.0, 0.3)),
        one_side=float(rng.uniform(0.0, 0.15)),
        blur_px=float(rng.uniform(0.5, 1.0)),
        quality=int(rng.integers(75, 96)),
    )
    return replace(drawn, **changes)


def either(rng: Rng, size: float) -> float:
    """Return so much, one way or the other."""
    return float(size * rng.choice([-1, 1]))


def photograph_cases() -> tuple[PhotographCase, ...]:
    """Return all cases."""

    def drawn(**draws: Callable[[Rng], Any]) -> Callable[[Rng], Shot]:
        return lambda rng: hand_held(rng, **{name: draw(rng) for name, draw in draws.items()})

    def corners(rng: Rng) -> tuple[tuple[float, float], ...]:
        return tuple(map(tuple, rng.uniform(-0.02, 0.02, (4, 2)).tolist()))

    aslant = drawn(aslant=lambda rng: (either(rng, 0.05), either(rng, 0.05)))
    return (
        PhotographCase("hand-held", hand_held),
        PhotographCase("aslant 5 %", aslant),
        PhotographCase("turned 12 deg", drawn(turn_deg=lambda rng: either(rng, 12.0))),
        PhotographCase("corners moved", drawn(corners=corners)),
        PhotographCase("barrel 3 %", drawn(radial=lambda _: 0.03)),
        PhotographCase("pincushion 3 %", drawn(radial=lambda _: -0.03)),
        PhotographCase("bowed 2 mm", drawn(bow_mm=lambda rng: either(rng, 2.0))),
        PhotographCase("curled 2 mm", drawn(curl_mm=lambda rng: either(rng, 2.0))),
        PhotographCase("800 px", drawn(width_px=lambda _: 800), count=4),
        PhotographCase("4000 px", drawn(width_px=lambda _: 4000)),
        PhotographCase("s-curve, q 60", drawn(tone=lambda _: "s-curve", quality=lambda _: 60)),
        PhotographCase("uneven light", drawn(fall_off=lambda _: 0.5, one_side=lambda _: 0.3)),
        PhotographCase("clipped light", drawn(gate=lambda _: 1.5)),
        PhotographCase("noisy, soft", drawn(noise=lambda _: 0.015, blur_px=lambda _: 1.5)),
        PhotographCase("black mask", drawn(surround=lambda _: 0.0), MASK),
        PhotographCase("upright", lambda rng: replace(
            hand_held(rng), aspect=1.5, across=1.2, turn_deg=float(rng.uniform(84, 96)),
            shift=(0.0, 0.0), width_px=1500)),
        PhotographCase("cut at both ends", drawn(across=lambda _: 1.5)),
        PhotographCase("half frames", aslant, format="135-half"),
        PhotographCase("6x6", aslant, format="120-6x6"),
        PhotographCase("6x9", aslant, format="120-6x9"),
    )  # fmt: skip


def judged_photograph(case: PhotographCase, seed: int, folder: Path) -> tuple[Judged, float | None]:
    """Return what a photograph's survey is worth, and how far off its base is (density)."""
    shown = case.make(seed)
    path = folder / "photograph.jpg"
    path.write_bytes(shown.jpeg)
    try:
        found = survey_scan(path, Settings()).strips
    except ScanProblem:
        found = ()
    judged = judged_strips(found, shown.truth, seed)
    if not found or not found[0].base.illumination.absolute:
        return judged, None
    true = shown.truth["strips"][0]["base_density"]
    return judged, float(np.abs(np.subtract(found[0].base.density, true)).max())


def main() -> None:
    """Judge photographs of drawn strips by condition and print a table."""
    parser = argparse.ArgumentParser(prog="tests.judged.photographs", description=main.__doc__)
    parser.add_argument("conditions", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 3), metavar=("FIRST", "END"))
    words = parser.parse_args()
    print(f"{HEAD}  worst mm  base")
    together = Judged()
    for case in photograph_cases():
        if words.conditions and not any(part in case.name for part in words.conditions):
            continue
        total, bases = Judged(), []
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(*words.seeds):
                judged, base = judged_photograph(case, seed, Path(folder))
                total += judged
                bases += [] if base is None else [base]
        worst = max(total.corner_mm, default=np.nan)
        base_text = f"{np.max(bases):.3f}" if bases else "relative"
        print(
            row_of(case.name, total), f"{worst:8.2f}  {base_text}", *total.seeds_amiss, flush=True
        )
        together += total
    print(row_of("together", together))


if __name__ == "__main__":
    main()
