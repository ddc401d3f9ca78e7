"""The judge of light and base: its conditions show what they say, and a scan judged by hand."""

from dataclasses import replace

import numpy as np
import pytest

from tests.film_model import FrameSpec, Plan, Roll, StripSpec
from tests.film_model.holder import Holder
from tests.judged.light import JudgedLight, judged_light, row_of
from tests.judged.light_cases import Capture, LightCase, light_cases

STRIP = StripSpec(Roll("film-a", (FrameSpec("coffee"), FrameSpec("chart")), seed=3), 0, 2)
CASES = {case.name: case for case in light_cases()}


def case_of(capture: Capture, **roll: float) -> LightCase:
    strip = replace(STRIP, roll=replace(STRIP.roll, **roll))
    return LightCase("by hand", "set", lambda _: (Plan((strip,), Holder(), "scanner-a"), capture))


@pytest.mark.parametrize(
    ("capture", "roll"),
    [
        (Capture(), {}),
        (Capture(1.0, cosine=True), {}),
        (Capture(tilt=0.3), {}),
        (Capture(), {"mask_share": 0.15}),
        (Capture(quality=85), {}),
    ],
)
def test_base_is_found_under_any_lamp_and_mask(capture, roll, tmp_path):
    found = judged_light(case_of(capture, **roll), 1, tmp_path)
    assert (found.strips, found.refused, found.extra, found.absolute_wrong) == (1, 0, 0, 0)
    assert found.far == 0


@pytest.mark.parametrize(
    ("name", "seed"), [("slot only, 6x6", 31), ("no gate", 31), ("mask x0.2, jpeg", 32)]
)
def test_seeds_that_no_rule_was_made_on(name, seed, tmp_path):
    found = judged_light(CASES[name], seed, tmp_path)
    assert (found.refused, found.absolute_wrong, found.far) == (0, 0, 0)


def test_a_lens_leaves_so_many_stops_less_in_the_corners():
    for cosine in (False, True):
        lamp = Capture(1.5, cosine=cosine).lamp((41, 61))
        assert np.log2(lamp[0, 0] / lamp[20, 30]) == pytest.approx(-1.5, abs=0.1)


def test_conditions_have_each_their_name_and_both_uses():
    assert len(CASES) == len(light_cases())
    assert {case.use for case in light_cases()} == {"set", "left out"}


def test_sums_add_up():
    both = JudgedLight(strips=2, base_off=(0.1,)) + JudgedLight(strips=1, base_off=(0.3,))
    assert both == JudgedLight(strips=3, base_off=(0.1, 0.3))
    assert row_of("a name", both).startswith("a name")
