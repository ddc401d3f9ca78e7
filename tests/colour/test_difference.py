"""Colour differences against colour-science, and CIEDE2000's published test data."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.difference import difference_2000, difference_parts, lab_d50
from tests.film_model.spectra import colour_science

LIGHTS = st.lists(
    st.tuples(*[st.floats(0.001, 1.2)] * 3), min_size=1, max_size=8
).map(np.array)  # fmt: skip


def lab_by_library(scene: np.ndarray) -> np.ndarray:
    """Return CIELAB under D50 of linear ACEScg, wholly by colour-science."""
    colour = colour_science()
    space = colour.RGB_COLOURSPACES["ACEScg"]
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz = colour.RGB_to_XYZ(
            scene, space, illuminant=d50, chromatic_adaptation_transform="Bradford"
        )
    return np.asarray(colour.XYZ_to_Lab(xyz, d50))


@given(LIGHTS)
def test_lab_is_the_library_s(scene):
    assert lab_d50(scene) == pytest.approx(lab_by_library(scene), abs=0.03)


@given(LIGHTS, st.floats(0.5, 2.0))
def test_differences_are_the_library_s(scene, factor):
    pair = lab_d50(scene), lab_d50(scene[:, ::-1] * factor)
    told = colour_science().delta_E(*pair, method="CIE 2000")
    assert difference_2000(scene[:, ::-1] * factor, scene) == pytest.approx(told, abs=1e-9)


@pytest.mark.parametrize("white", [0.0, 0.18, 1.0])
def test_neutral_light_has_no_chroma(white):
    assert lab_d50(np.full(3, white))[1:] == pytest.approx([0.0, 0.0], abs=1e-9)


@given(LIGHTS)
def test_no_difference_from_itself(scene):
    assert difference_2000(scene, scene) == pytest.approx(np.zeros(len(scene)), abs=1e-6)
    assert difference_parts(scene, scene) == pytest.approx(np.zeros((len(scene), 3)), abs=1e-9)


@given(LIGHTS, st.floats(0.97, 1.03))
def test_parts_make_up_about_the_whole_for_small_differences_of_lightness(scene, factor):
    parts = np.linalg.norm(difference_parts(scene * factor, scene), axis=1)
    # The term of rotation and CIEDE2000's stretch of a* are all that is left out.
    assert parts == pytest.approx(difference_2000(scene * factor, scene), rel=0.35, abs=0.1)


def test_a_light_below_zero_has_a_difference():
    black, under = np.zeros((1, 3)), np.full((1, 3), -0.02)
    assert np.isfinite(difference_2000(under, black)).all()
    assert difference_parts(under, black)[0, 0] < 0
