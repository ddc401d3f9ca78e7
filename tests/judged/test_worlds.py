"""Worlds of both splits: what is drawn, and the table that holds them side by side."""

import numpy as np
import pytest

from tests.film_model.scanner import Scanner, scanners_of
from tests.film_model.stock import films_of
from tests.judged.strip_cases import strip_cases
from tests.judged.strips import Judged
from tests.judged.worlds import (
    SPLITS,
    TABLES,
    camera_scan,
    draw_world,
    frame_figures,
    mixed_scan,
    pages,
)


@pytest.mark.parametrize("split", SPLITS)
def test_worlds_are_drawn_from_their_split(split):
    rng = np.random.default_rng(0)
    drawn = [draw_world(rng, split) for _ in range(200)]
    assert {world.film for world in drawn} == set(films_of(split))
    assert {world.scanner for world in drawn} == set(scanners_of(split))


def test_a_plan_of_8_bits_stays_one_in_another_world():
    case = next(case for case in strip_cases() if case.name == "8 bit gamma")
    plan = draw_world(np.random.default_rng(1), "left-out").of_plan(case.plan(0))
    assert isinstance(plan.scanner, Scanner)
    assert plan.scanner.container_bits == 8
    assert plan.scanner.name in scanners_of("left-out")


def test_a_seed_gives_the_same_scan_and_splits_differ():
    first, again = (camera_scan("135-half", "used", 3, 60.0) for _ in range(2))
    assert (first.codes == again.codes).all()
    other = camera_scan("135-half", "left-out", 3, 60.0)
    assert {strip["film"] for strip in other.truth["strips"]} <= set(films_of("left-out"))


@pytest.mark.parametrize("split", SPLITS)
def test_a_mixed_strip_has_frames_of_two_lengths(split):
    frames = mixed_scan(split, 4, 60.0).truth["strips"][0]["frames"]
    corners = [np.asarray(frame["outline"]) for frame in frames]
    along = [np.hypot(*(c[1] - c[0])) * 25.4 / 60.0 for c in corners]
    whole = sorted(along)
    assert max(whole) > 1.4 * np.median([min(whole), *whole])


def test_figures_of_frames_count_each_frame_once_by_its_confidence():
    found = Judged(
        strips=2, exact=1, corner_mm=(0.1, 0.3, 0.2, 0.6), confidence=(0.99, 0.95, 1.0, 0.4)
    )
    figures = frame_figures(found)
    assert figures["exact"] == [1.0, 0.0]
    assert figures["corner off"] == [0.0, 1.0, 0.0, 1.0]
    assert figures["in 0.98-1.00 right"] == [1.0, 1.0]
    assert figures["in 0.95-0.98 right"] == [0.0]
    assert figures["in 0.00-0.50 right"] == [0.0]
    assert sum(len(v) for k, v in figures.items() if k.startswith("in ")) == 4


def test_the_page_has_means_of_both_splits_and_of_all_rows_together():
    values = {
        ("a", "x", "used"): [1.0, 2.0],
        ("a", "x", "left-out"): [5.0],
        ("b", "x", "used"): [6.0],
    }
    lines = pages(values, ("a", "b")).splitlines()
    assert lines[1].split() == ["a", "x", "1.500", "of", "2", "5.000", "of", "1"]
    assert lines[2].split() == ["b", "x", "6.000", "of", "1", "-"]
    assert lines[3].split() == ["together", "x", "3.000", "of", "3", "5.000", "of", "1"]


@pytest.mark.parametrize(
    ("table", "row"), [("base", "135"), ("colour", "daylight"), ("diagnosis", "normal")]
)
def test_tables_measure_a_world_that_was_left_out(table, row):
    figures = TABLES[table].measure(row, "left-out", 2, 100.0)
    assert any(len(values) for values in figures.values())
    assert all(np.isfinite(value) for values in figures.values() for value in values)
