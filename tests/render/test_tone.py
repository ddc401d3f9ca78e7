"""Tone of prints: laws of the curve, and black and white points of made-up rolls."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.render import tone as module
from pipeline.render.tone import PrintTone, print_curve, roll_tone

TONES = st.builds(PrintTone, st.floats(1.2, 1.6), st.sampled_from([0.0, 0.004, 0.03]))
GREY = 0.18


def picture(darkest: float, lightest: float, count: int = 400) -> np.ndarray:
    """Return neutral scene light, log-even from dark to light."""
    return np.repeat(np.geomspace(darkest, lightest, count)[:, None], 3, axis=1)


@given(st.lists(st.floats(-1.0, 100.0), min_size=2, max_size=30).map(sorted), TONES)
def test_print_curve_rises_from_black_to_white(light, tone):
    shown = print_curve(np.array(light, np.float32), tone)
    assert (np.diff(shown) >= -1e-7).all()
    assert shown.min() >= 0
    assert shown.max() < module.PRINT_WHITE


@given(TONES)
def test_print_curve_leaves_middle_grey(tone):
    # 0.18: reflectance of a grey card, common practice, no source.
    assert print_curve(np.full(2, GREY, np.float32), tone) == pytest.approx(GREY, rel=1e-5)


def test_print_curve_ends_in_paper_white_and_black():
    shown = print_curve(np.array([0.0, -0.5, 1e9, np.inf], np.float32))
    assert shown[:2].tolist() == [0.0, 0.0]
    assert shown[2:] == pytest.approx(module.PRINT_WHITE, rel=1e-3)


@given(st.floats(1.2, 1.6))
def test_print_curve_has_the_slope_of_its_form_about_the_middle(contrast):
    # The slope in log-log at grey, n (1 - g / w), by differentiation of the Naka-Rushton form.
    light = np.array([GREY / 1.01, GREY * 1.01])
    shown = print_curve(light, PrintTone(contrast)).astype(float)
    slope = np.diff(np.log(shown))[0] / np.diff(np.log(light))[0]
    assert slope == pytest.approx(contrast * (1 - GREY / module.PRINT_WHITE), rel=1e-3)


def test_black_taken_off_darkens_shadows_without_cutting_them():
    dark = np.geomspace(1e-4, 0.05, 200).astype(np.float32)
    plain, deeper = print_curve(dark), print_curve(dark, PrintTone(black=0.02))
    assert (deeper < plain)[dark > 0.012].all()
    assert (np.diff(deeper) > 0).all()
    assert (np.diff(print_curve(dark[::20], PrintTone(black=0.02))) > 0).all()


def test_usual_pictures_get_the_usual_curve():
    assert roll_tone([picture(0.004, 1.6)] * 6) == PrintTone()
    assert roll_tone([]) == PrintTone()
    assert roll_tone([picture(0.004, 0.3)[:10]]) == PrintTone()


@given(st.floats(0.25, 20.0), st.floats(0.001, 0.1))
def test_black_and_white_of_any_roll_are_shown_as_such_within_limits(lightest, darkest):
    roll = [picture(min(darkest, lightest / 3), lightest)] * 3
    tone = roll_tone(roll)
    low, high = module._CONTRASTS
    assert low <= tone.contrast <= high
    assert 0 <= tone.black <= module._MOST_BLACK
    luminance = roll[0][:, 1]
    white, black = np.percentile(luminance, [99, 1]).astype(np.float32)
    shown_white = float(print_curve(np.array([white]), PrintTone(tone.contrast))[0])
    dimmest, brightest = module._LIGHTEST_SHOWN
    assert shown_white > dimmest - 1e-4 or tone.contrast == high
    assert shown_white < brightest + 1e-4 or tone.contrast == low
    usual = float(print_curve(np.array([white]))[0])
    assert tone.contrast == module._CONTRAST or not dimmest <= usual <= brightest
    shown_black = float(print_curve(np.array([black]), tone)[0])
    assert shown_black < module._BLACKEST_SHOWN + 1e-6 or tone.black == module._MOST_BLACK


def test_flat_rolls_get_more_contrast_and_contrasty_ones_less():
    flat, usual, hard = (roll_tone([picture(0.01, top)] * 5) for top in (0.5, 1.6, 12.0))
    assert flat.contrast > usual.contrast > hard.contrast
    hazy = roll_tone([picture(0.06, 0.9)] * 5)
    assert hazy.black > 0 == usual.black


def test_a_few_odd_pictures_do_not_set_the_tone_of_a_roll():
    usual = [picture(0.004, 1.6)] * 20
    odd = [picture(1e-5, 0.02), picture(0.2, 60.0), np.full((100, 3), -3.0)]
    assert roll_tone([*usual, *odd]) == roll_tone(usual)


@given(st.permutations(range(6)))
def test_the_order_of_pictures_does_not_matter(order):
    roll = [picture(0.002 * (n + 1), 0.5 + n) for n in range(6)]
    assert roll_tone([roll[n] for n in order]) == roll_tone(roll)
