"""How often a control strip's fault is told, over random amounts: a table of found by true code.

`python -m tests.judged.control` prints it for strips of the faults of publication Z-131, and how
often the very cause is among the first three.
"""

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from pipeline.control.causes import rank_causes
from pipeline.control.finding import control_findings
from pipeline.control.series import control_series
from tests.judged.control_cases import FAULTS, Published, aim, faulty_strip, normal_strip

SIZES = (1.5, 6.0)
NORMAL = "normal"


@dataclass
class Judged:
    """What was found: codes by true code, and how often each cause was first or among three."""

    table: dict[str, Counter[str]] = field(default_factory=dict)
    first: Counter[str] = field(default_factory=Counter)
    among: Counter[str] = field(default_factory=Counter)
    strips: Counter[str] = field(default_factory=Counter)
    sure: list[tuple[float, bool]] = field(default_factory=list)

    def share(self, code: str) -> float:
        """Return the share of strips of a true code that were told so first."""
        row = self.table[code]
        return row[code] / row.total()

    def calibration(self, low: float, high: float) -> tuple[float, int]:
        """Return how often findings of such confidence were right, and how many there were."""
        right = [was for sure, was in self.sure if low <= sure < high]
        return (float(np.mean(right)) if right else float("nan")), len(right)


def judged(count: int, seed: int, sizes: tuple[float, float] = SIZES) -> Judged:
    """Judge `count` strips of each fault and ten times as many normal ones."""
    rng = np.random.default_rng(seed)
    result = Judged()
    for fault in FAULTS:
        for _ in range(count):
            size = float(np.exp(rng.uniform(*np.log(sizes))))
            _judge(result, fault, size, rng)
    row = result.table.setdefault(NORMAL, Counter())
    for _ in range(10 * count):
        series = control_series([normal_strip(rng)], aim())
        row[control_findings(series)[0].code] += 1
    return result


def _judge(result: Judged, fault: Published, size: float, rng: np.random.Generator) -> None:
    series = control_series([faulty_strip(fault, size, rng)], aim())
    finding = control_findings(series)[0]
    result.table.setdefault(fault.code, Counter())[finding.code] += 1
    result.strips[fault.cause] += 1
    if finding.code != NORMAL:
        result.sure.append((finding.confidence, finding.code == fault.code))
    causes = [each.fault.cause for each in rank_causes(series.deviations[-1]).ranked]
    place = next(i for i, cause in enumerate(causes) if cause.startswith(fault.cause))
    result.first[fault.cause] += place == 0
    result.among[fault.cause] += place < 3


def main() -> None:
    """Judge random strips and print what was found of each."""
    parser = argparse.ArgumentParser(prog="tests.judged.control", description=main.__doc__)
    parser.add_argument("--count", type=int, default=40, help="strips of each fault")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sizes", nargs=2, type=float, default=SIZES, metavar=("LEAST", "MOST"))
    words = parser.parse_args()
    result = judged(words.count, words.seed, tuple(words.sizes))
    codes = [*dict.fromkeys(fault.code for fault in FAULTS), NORMAL]
    print(f"{'true, found first %':22}" + "".join(f"{code:>18}" for code in codes))
    for code in codes:
        row = result.table[code]
        print(f"{code:22}" + "".join(f"{100 * row[each] / row.total():18.1f}" for each in codes))
    print(f"\n{'cause':40}{'first %':>9}{'of three %':>12}")
    for fault in FAULTS:
        cause, total = fault.cause, result.strips[fault.cause]
        first, among = 100 * result.first[cause] / total, 100 * result.among[cause] / total
        print(f"{cause:40}{first:9.1f}{among:12.1f}")
    print(f"\n{'confidence':22}{'right %':>9}{'findings':>10}")
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        right, found = result.calibration(low, high)
        print(f"{f'{low:.1f} to {min(high, 1.0):.1f}':22}{100 * right:9.1f}{found:10}")


if __name__ == "__main__":
    main()
