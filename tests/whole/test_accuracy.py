"""How true whole rolls of the film model come out; seeds are the first ones, not chosen ones.

The model shares no code with the product. Colour differences are colour-science's, after
CIE 15 (L*a*b*) and ISO/CIE 11664-6 (CIEDE2000).
"""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import tifffile

from tests.conftest import Run
from tests.film_model import FrameSpec, ModelScan, Roll, Scene, cut_roll, scan_strips
from tests.judged.roll import (
    JudgedRoll,
    chart_lab,
    colour,
    matched,
    overlap,
    patch_means,
    random_judged,
    romm_lab,
    surveyed,
    true_strip,
)

PPI = 160.0
ROLLS = [("135", 0), ("135", 1), ("120-6x6", 0), ("120-6x6", 1)]
BASE_OFF = 0.02
# C*ab of greys without a chart or a known film: of the middle roll, and of the worst.
GREY_CHROMA, WORST_GREY_CHROMA = 4.0, 8.0
SAME_CHART = 1.5
# Each channel's gain from strip to strip spans -15 % to +15 %, alike and against each other.
GAINS = ((0.85, 0.85, 0.85), (1.15, 1.0, 0.85), (1.15, 1.15, 1.15))


@pytest.fixture(scope="module")
def rolls(tmp_path_factory: pytest.TempPathFactory) -> list[JudgedRoll]:
    """Return the random rolls as judged."""
    return [
        random_judged(seed, format_name, PPI, tmp_path_factory.mktemp("roll"))
        for format_name, seed in ROLLS
    ]


@pytest.fixture(params=range(len(ROLLS)), ids=lambda n: f"{ROLLS[n][0]}-seed-{ROLLS[n][1]}")
def roll(request, rolls: list[JudgedRoll]) -> JudgedRoll:
    """Return one random roll as judged."""
    return rolls[request.param]


def test_all_frames_are_found(roll: JudgedRoll):
    assert roll.frames in (36, 12)
    assert roll.missed == ()
    # A light-struck leader is found as a frame of its own kind; it is no picture.
    assert set(roll.extra) <= {"fogged"}
    assert roll.wrong_numbers == ()


def test_base_is_true_to_a_fiftieth_of_density(roll: JudgedRoll):
    assert roll.base_off
    assert max(roll.base_off) < BASE_OFF


def test_grey_rows_of_charts_on_unknown_film_are_grey(rolls: list[JudgedRoll]):
    medians = [float(np.median(chroma)) for roll in rolls for chroma in roll.chart_grey]
    assert len(medians) >= len(ROLLS)
    assert np.median(medians) <= GREY_CHROMA
    assert max(medians) <= WORST_GREY_CHROMA


@pytest.fixture(scope="module")
def chart_strips() -> list[ModelScan]:
    """Return three strips of one roll, each with the same chart, under other scanner gains."""
    scenes = (Scene("coffee"), "chart", "table") * 3
    model = Roll("film-a", [FrameSpec(scene) for scene in scenes], first_number=1, seed=5)
    strips = cut_roll(model, 3, (0.3, -0.5, 0.1))
    return scan_strips(strips, 1, GAINS, seed=5, scanner="scanner-a", ppi=PPI, open_gate=0.82)


def greatest_difference(labs: list[np.ndarray]) -> float:
    """Return the greatest CIEDE2000 between the same patches of any two charts."""
    pairs = combinations(labs, 2)
    return max(float(colour.delta_E(a, b, method="CIE 2000").max()) for a, b in pairs)


def test_one_chart_on_three_strips_comes_out_alike(chart_strips, tmp_path: Path, run: Run):
    shot = surveyed(chart_strips, tmp_path)
    out = tmp_path / "out"
    words = ("--share", "none", "--reference", "none", "--inset", "0")
    assert run("convert", tmp_path, "-o", out, *words).code == 0
    written, rendered = [], []
    truths = {f"s{n}.tif": scan.truth for n, scan in enumerate(chart_strips)}
    for strip, row in zip(shot.strips, shot.frames, strict=True):
        truth = true_strip(strip, truths[strip.scan.path.name])
        told = next(frame for frame in truth["frames"] if "patches" in frame)
        frame = matched(strip, truth)[told["index"]]
        number = row[strip.frames.index(frame)].number.number
        path = next(out.glob(f"*_{number}.tif"))
        archive = tifffile.imread(path) / 65535.0
        written.append(romm_lab(patch_means(archive, frame.outline, told)))
        rendered.append(chart_lab(strip, frame, told, shot.colour, shot.tone))
    assert len(written) == 3
    assert greatest_difference(written) <= SAME_CHART
    # The archive holds what the survey's colour renders, to the rounding of its codes.
    assert np.array(written) == pytest.approx(np.array(rendered), abs=0.1)


def test_overlap_is_intersection_over_union():
    square = [(0, 0), (2, 0), (2, 2), (0, 2)]
    half = [(1, 0), (3, 0), (3, 2), (1, 2)]
    assert overlap(square, square) == pytest.approx(1.0)
    # Two of six unit squares are in both.
    assert overlap(square, half) == pytest.approx(1 / 3)
    assert overlap(square, [(5, 5), (6, 5), (6, 6), (5, 6)]) == 0.0
