"""The strip cases: each shows its condition, all follow from their seed."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.film_model import ModelScan, Plan
from tests.film_model.reading import light
from tests.judged.strip_cases import strip_cases

PPI = 40.0
PX_PER_MM = PPI / 25.4
CASES = {case.name: case for case in strip_cases()}
Truth = dict[str, Any]
Check = Callable[[ModelScan], bool]


def strips(scan: ModelScan) -> list[Truth]:
    return scan.truth["strips"]


def frames(scan: ModelScan) -> list[Truth]:
    return [frame for strip in strips(scan) for frame in strip["frames"]]


def whole(scan: ModelScan) -> list[Truth]:
    return [frame for frame in frames(scan) if frame["kind"] != "partial"]


def gaps_mm(scan: ModelScan) -> list[float]:
    return [b["u_mm"][0] - a["u_mm"][1] for a, b in pairwise(frames(scan))]


def sides_mm(scan: ModelScan, frame: Truth) -> NDArray[np.float64]:
    corners = np.array(frame["outline"]) / (scan.ppi / 25.4)
    return np.linalg.norm(corners[[1, 3]] - corners[0], axis=1)


def image_is(along: float, across: float) -> Check:
    """Return a check that pictures are as large: sources.toml [film-135], [film-120],
    [smaller-images]."""

    def check(scan: ModelScan) -> bool:
        sizes = [sides_mm(scan, frame) for frame in frames(scan)]
        return bool(np.allclose(sizes, (along, across), atol=0.02))

    return check


def stops(least: float, most: float) -> Check:
    return lambda scan: all(least <= f["exposure_stops"] <= most for f in frames(scan))


def edges_seen(*lengths: set[bool]) -> Check:
    """Return a check of which edges may be in view at any place: {top, bottom} of each strip."""

    def check(scan: ModelScan) -> bool:
        return all(
            {strip["edges_in_view_mm"][key] is not None for key in ("top", "bottom")} in lengths
            for strip in strips(scan)
        )

    return check


def corner_light(low: float, high: float) -> Check:
    """Return a check of the light in the scan's corners, where there is only the holder."""
    return lambda scan: all(low < light(scan)[y, x, 1] < high for y in (1, -2) for x in (1, -2))


def shows(*names: str) -> Check:
    return lambda scan: any(f["scene"] and f["scene"]["name"] in names for f in frames(scan))


def touches(scan: ModelScan) -> bool:
    size = np.array(scan.truth["size_px"])
    corners = np.array(strips(scan)[0]["outline"])
    return bool((corners < 0).any() or (corners > size - 1).any())


def rebate_at_end_mm(scan: ModelScan) -> float:
    (strip,) = strips(scan)
    return max(strip["frames"][0]["u_mm"][0], strip["length_mm"] - strip["frames"][-1]["u_mm"][1])


def struck(scan: ModelScan) -> bool:
    """Light-struck film is three densities up or more; an end of the strip is."""
    (strip,) = strips(scan)
    corners = np.array(strip["outline"])
    ends = [corners[[0, 3]].mean(axis=0), corners[[1, 2]].mean(axis=0)]
    along = (ends[1] - ends[0]) / strip["length_mm"]
    places = [np.rint(end).astype(int) for end in (ends[0] + along, ends[1] - along)]
    base = 10.0 ** -strip["base_density"][1]
    return min(light(scan)[y, x, 1] for x, y in places) < 0.2 * base


def is_along(least_mm: float, most_mm: float) -> Check:
    """Return a check that pictures are so long."""
    return lambda scan: all(
        least_mm - 0.03 < sides_mm(scan, f)[0] < most_mm + 0.03 for f in whole(scan)
    )


def is_turned(scan: ModelScan) -> bool:
    return all(0.2 <= abs(f["turn_deg"]) <= 0.7 for f in frames(scan))


CHECKS: dict[str, Check] = {
    "plain 135": image_is(36.0, 24.0),
    "plain 120-6x6": image_is(56.0, 56.0),
    "plain 120-6x4.5": image_is(41.5, 56.0),
    "plain 120-6x7": image_is(69.5, 56.0),
    "plain 120-6x9": image_is(84.0, 56.0),
    "135-half": image_is(18.0, 24.0),
    "135-square": image_is(24.0, 24.0),
    "135-panorama": image_is(65.0, 24.0),
    "skew 3 deg": lambda s: 1 <= abs(strips(s)[0]["angle_deg"]) <= 3,
    "irregular gaps": lambda s: min(gaps_mm(s)) > 0.29 and max(gaps_mm(s)) < 6.01,
    "overlaps": lambda s: min(gaps_mm(s)) > -2.51 and any(g < -0.19 for g in gaps_mm(s)),
    "dark scenes": stops(-3, 0),
    "high key": stops(1, 3),
    "blanks": lambda s: 1 <= sum(f["kind"] == "blank" for f in frames(s)) <= 2,
    "leader": lambda s: rebate_at_end_mm(s) > 5 and struck(s),
    "cut in mid-frame": lambda s: 1 <= len(frames(s)) - len(whole(s)) <= 2,
    "single frame": lambda s: len(frames(s)) == 1,
    "several strips": lambda s: 2 <= len(strips(s)) <= 8,
    "mirrored": lambda s: strips(s)[0]["mirrored"],
    "upside down": lambda s: strips(s)[0]["reversed"],
    "upright": lambda s: s.codes.shape[0] > s.codes.shape[1],
    "touching border": touches,
    "perforations hidden": edges_seen({False}),
    "perforations half hidden": edges_seen({False}),
    "one side hidden": edges_seen({True, False}, {False}),
    "half-hidden one side": edges_seen({True, False}, {False}),
    "bare light": corner_light(0.8, 1.05),
    "turned gate": is_turned,
    "odd gate": lambda s: np.ptp([sides_mm(s, f) for f in whole(s)], axis=0).max() < 0.03,
    "half odd gate": is_along(16.5, 18.5),
    "square odd gate": is_along(23.0, 25.0),
    "half irregular gaps": lambda s: min(gaps_mm(s)) > 0.25 and max(gaps_mm(s)) < 4.05,
    "rounded corners": lambda s: all(0 <= f["corner_mm"] <= 4 for f in frames(s)),
    "dark surround": corner_light(-0.01, 0.06),
    "grey surround": corner_light(0.01, 0.4),
    "white surround": corner_light(0.3, 1.15),
    "doorway": shows("doorway", "half-black"),
    "leafy edges": shows("leafy-edges"),
    "high-contrast night": shows("night-sky"),
    "different films in one holder": lambda s: len({t["film"] for t in strips(s)}) >= 2,
    "low ppi": lambda s: 100 <= s.ppi <= 150,
    "8 bit gamma": lambda s: s.codes.dtype == np.uint8,
    "faded": lambda s: (
        strips(s)[0]["process"]["contrast"] != (1.0, 1.0, 1.0)
        or min(strips(s)[0]["process"]["fog"]) > 0
    ),
}


def test_every_case_has_a_check_and_a_name_of_its_own() -> None:
    assert len(strip_cases()) == len(CASES)
    assert set(CASES) == {*CHECKS, *CLEAN}
    assert {case.hard for case in CASES.values()} == {True, False}


@pytest.mark.parametrize("name", CHECKS)
def test_case_shows_its_condition(name: str) -> None:
    scan = CASES[name].make(1, PPI)
    assert CHECKS[name](scan)
    assert frames(scan)
    assert scan.truth["size_px"] == list(scan.codes.shape[1::-1])
    for frame in frames(scan):
        assert sides_mm(scan, frame).min() > 0.9


@pytest.mark.parametrize("name", ["plain 135", "touching border", "scratches"])
def test_a_case_follows_from_its_seed(name: str) -> None:
    first, again, other = (CASES[name].make(seed, PPI) for seed in (3, 3, 4))
    np.testing.assert_array_equal(first.codes, again.codes)
    assert first.truth == again.truth
    assert first.truth["strips"] != other.truth["strips"]


@pytest.mark.parametrize("name", ["irregular gaps", "turned gate", "touching border"])
def test_a_case_is_the_same_film_at_any_resolution(name: str) -> None:
    """Millimetres stay; a crop is in whole pixels, so a cut frame may differ by one of them."""
    coarse, fine = (CASES[name].make(5, ppi) for ppi in (PPI, 2 * PPI))
    for low, high in zip(frames(coarse), frames(fine), strict=True):
        assert low["scene"] == high["scene"]
        np.testing.assert_allclose(low["u_mm"], high["u_mm"], atol=1.1 / PX_PER_MM)
        at_once = (np.array(low["outline"]) + 0.5) / PX_PER_MM
        closer = (np.array(high["outline"]) + 0.5) / (2 * PX_PER_MM)
        np.testing.assert_allclose(at_once, closer, atol=1.6 / PX_PER_MM)


CLEAN: dict[str, Callable[[Plan], Plan]] = {
    "scratches": lambda plan: plan.with_strips(lambda strip: replace(strip, scratches=())),
    "light leak": lambda plan: plan.with_strips(
        lambda strip: replace(strip, roll=replace(strip.roll, leaks=()))
    ),
    "dust": lambda plan: replace(plan, dust_count=0),
    "glass reflections": lambda plan: replace(plan, glass=None),
}


@pytest.mark.parametrize("name", CLEAN)
def test_marks_change_the_picture_and_not_the_truth(name: str) -> None:
    plan = CASES[name].plan(1)
    marked, clean = plan.scan(PPI), CLEAN[name](plan).scan(PPI)
    assert marked.truth == clean.truth
    # A mark moves light by more than the sensor's noise, over a hundredth of a per cent at least.
    changed = np.abs(light(marked) - light(clean)).max(axis=2) > 0.01
    assert 1e-4 < changed.mean() < 0.9


def test_rounded_corners_reach_the_radii_of_both_widths() -> None:
    rolls = [CASES["rounded corners"].plan(seed).strips[0].roll for seed in range(40)]
    small, large = (
        [r.camera.gate_corner_mm for r in rolls if r.format.startswith("135") == is_135]
        for is_135 in (True, False)
    )
    assert 1.2 < max(small) <= 1.5
    assert 2.5 < max(large) <= 4.0


def test_odd_gates_keep_to_the_sizes_asked_for() -> None:
    """35.3 to 36.8 by 23.6 to 24.6 mm for 135 (common practice, no source)."""
    for seed in range(4):
        scan = CASES["odd gate"].make(seed, 20.0)
        for frame in whole(scan):
            if strips(scan)[0]["format"] == "135":
                along, across = sides_mm(scan, frame)
                assert 35.27 <= along <= 36.83
                assert 23.57 <= across <= 24.63
