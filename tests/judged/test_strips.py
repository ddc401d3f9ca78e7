"""What the benchmark of strips counts, and the figures that finding frames must keep."""

import numpy as np
import pytest

from pipeline.frame.frames import CLEAR
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan
from tests.judged.strip_cases import strip_cases
from tests.judged.strips import Judged, corner_error, judged_scan, row_of

# Seeds that no setting was chosen on.
SEEDS = (1001,)
ORDINARY = (
    "plain 135", "plain 120-6x6", "plain 120-6x4.5", "135-half", "skew 3 deg", "irregular gaps",
    "blanks", "leader", "upside down", "mirrored", "upright", "perforations half hidden",
    "turned gate", "odd gate",
)  # fmt: skip
HARD = ("overlaps", "light leak", "cut in mid-frame", "touching border", "dark scenes", "doorway")


def judged(names, folder) -> Judged:
    cases = {case.name: case for case in strip_cases()}
    total = Judged()
    for name in names:
        for seed in SEEDS:
            total += judged_scan(cases[name].make(seed, 200.0), folder, seed)
    return total


@pytest.fixture(scope="module")
def ordinary(tmp_path_factory) -> Judged:
    return judged(ORDINARY, tmp_path_factory.mktemp("ordinary"))


def test_ordinary_strips_are_found_whole(ordinary):
    assert (ordinary.lost, ordinary.invented) == (0, 0)
    assert ordinary.exact >= 0.99 * ordinary.strips
    assert ordinary.blanks_written == 0


def test_corners_lie_where_the_gate_was(ordinary):
    corners = np.array(ordinary.corner_mm)
    clear = np.array(ordinary.confidence) >= CLEAR
    assert np.median(corners) < 0.06
    assert (corners[clear] <= 0.25).mean() >= 0.99
    assert clear.mean() > 0.85


def test_edge_codes_are_read_where_they_are_in_view(ordinary):
    assert ordinary.readable > 0
    assert ordinary.read >= 0.98 * ordinary.readable


def test_hard_strips(tmp_path):
    hard = judged(HARD, tmp_path)
    assert hard.lost == 0
    assert hard.exact >= 0.9 * hard.strips
    assert hard.blanks_written == 0
    corners = np.array(hard.corner_mm)[np.array(hard.confidence) >= CLEAR]
    assert (corners <= 0.25).mean() >= 0.95


def test_a_strip_judged_by_hand(tmp_path):
    roll = Roll(
        "film-a", (FrameSpec("chart"), FrameSpec(kind="blank"), FrameSpec("coffee")), seed=3
    )
    one = judged_scan(make_scan([StripSpec(roll, 0, 3)], "scanner-a", 150.0, 1), tmp_path)
    assert (one.strips, one.exact, one.missed, one.extra) == (1, 1, 0, 0)
    assert len(one.corner_mm) == len(one.confidence) == 2
    assert (one.readable, one.read, one.wrong) == (1, 1, 0)


def test_sums_add_up():
    both = Judged(strips=2, corner_mm=(0.1,), seeds_amiss=(4,)) + Judged(strips=1, corner_mm=(0.3,))
    assert both == Judged(strips=3, corner_mm=(0.1, 0.3), seeds_amiss=(4,))
    assert row_of("a name", both).startswith("a name")


def test_corners_may_begin_anywhere():
    box = np.array([[0, 0], [3, 0], [3, 2], [0, 2]], float)
    assert corner_error(np.roll(box, 2, axis=0), box) == 0.0
    assert corner_error(box[::-1] + np.array([0.3, 0.4]), box) == pytest.approx(0.5)
