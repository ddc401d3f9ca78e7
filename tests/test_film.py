"""Film profiles: the characteristic curve's laws, published figures, and slips in a file."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.film import LayerCurve, film_names, find_film, profiles_folder, read_film
from pipeline.problem import SettingsProblem

GENERIC = profiles_folder() / "films" / "generic.toml"
CURVES = st.builds(
    LayerCurve,
    slope=st.floats(0.3, 1.5),
    toe_exposure=st.floats(-4.0, -0.5).map(lambda exponent: 10.0**exponent),
    toe_power=st.floats(0.7, 3.0),
)
LOG_EXPOSURES = st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=20, unique=True).map(sorted)


@given(CURVES, LOG_EXPOSURES)
def test_exposure_undoes_density_above_the_knee(curve, log_exposures):
    exposure = 10.0 ** np.array(log_exposures)
    density = curve.density(exposure)
    clear = density > 0.05 * curve.slope
    assert curve.exposure(density)[clear] == pytest.approx(exposure[clear], rel=1e-6)


@given(CURVES, LOG_EXPOSURES)
def test_density_rises_with_exposure(curve, log_exposures):
    density = curve.density(10.0 ** np.array(log_exposures))
    assert (density >= 0).all()
    assert (np.diff(density) >= 0).all()


@given(CURVES)
def test_exposure_rises_with_density_through_and_below_the_base(curve):
    density = np.linspace(-1.0, 3.0, 801)
    exposure = curve.exposure(density)
    assert np.isfinite(exposure).all()
    assert (np.diff(exposure) > 0).all()


@given(CURVES)
def test_there_is_no_step_at_the_knee(curve):
    knee = 0.04 * curve.slope
    under, at, over = curve.exposure(np.array([knee - 1e-7, knee, knee + 1e-7]))
    assert over - at == pytest.approx(at - under, rel=0.05)


@given(CURVES)
def test_far_above_the_toe_the_curve_is_a_line_of_its_slope(curve):
    # Definition of gamma: slope of the straight part, density over log10 exposure.
    far = curve.toe_exposure * np.array([1e6, 1e7])
    low, high = curve.density(far)
    assert high - low == pytest.approx(curve.slope, rel=1e-3)
    assert low == pytest.approx(6 * curve.slope, rel=1e-3)


def test_no_light_leaves_the_base():
    curve = LayerCurve(0.6, 0.01, 1.5)
    assert (curve.density(np.array([0.0, -1.0])) == 0).all()
    assert curve.density(np.array(0.01)) == pytest.approx(0.6 / 1.5 * math.log10(2))


def test_generic_film_has_the_published_base_and_slopes():
    # Status M D-min of the published curves of 14 still colour negative stocks: median, range.
    film = find_film("generic")
    assert film.base_status_m == (0.21, 0.63, 0.88)
    assert film.base_low == (0.14, 0.35, 0.73)
    assert film.base_high == (0.29, 0.75, 1.00)
    # Steepest slope over 0.9 log E of the same stocks: median, range.
    assert film.gamma() == (0.61, 0.62, 0.66)
    ranges = ((0.52, 0.72), (0.54, 0.74), (0.53, 0.82))
    assert all(
        low <= slope <= high for slope, (low, high) in zip(film.gamma(), ranges, strict=True)
    )


def test_generic_film_takes_neutral_light_to_neutral():
    film = find_film("generic")
    assert np.sum(film.scene, axis=1) == pytest.approx([1.0, 1.0, 1.0])


def test_unmasking_undoes_the_published_densities_of_unit_dyes():
    # Integral Status M densities of unit dyes, rows R G B by cyan, magenta, yellow, the mask
    # subtracted; printed with two decimals, and three of them make one figure.
    dyes = np.array([[0.85, 0.09, 0.00], [0.10, 0.85, 0.08], [0.06, 0.03, 0.89]])
    assert np.asarray(find_film("generic").unmask) @ dyes == pytest.approx(np.eye(3), abs=0.02)


def test_profiles_are_found_by_name_and_by_path(tmp_path):
    assert "generic" in film_names()
    copy = tmp_path / "mine.toml"
    copy.write_bytes(b"\xef\xbb\xbf" + GENERIC.read_bytes())
    assert find_film(str(copy)).name == "mine"
    assert find_film(str(copy)).curves == find_film("generic").curves
    assert find_film("generic").source


@pytest.mark.parametrize("name", ["", "none", "../films/generic", "Generic"])
def test_unknown_profile_is_answered_with_those_there_are(name):
    with pytest.raises(SettingsProblem, match=r"choose one of .*generic"):
        find_film(name)


def changed(folder: Path, key: str, line: str) -> Path:
    """Write the generic profile with the value at a dotted key replaced; '' leaves it out."""
    *heading, last = key.split(".")
    section, lines, skipping = "", [], False
    for text in GENERIC.read_text("utf-8").splitlines():
        if text.startswith("["):
            section = text.strip("[]")
        name = text.partition("=")[0].strip()
        if name == last and section == ".".join(heading):
            skipping = text.rstrip().endswith("= [")
            lines += [f"{last} = {line}"] if line else []
        elif not skipping:
            lines.append(text)
        elif text == "]":
            skipping = False
    path = folder / "changed.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    tomllib.loads(path.read_text("utf-8"))
    return path


KEYS = (
    "source", "base.status_m", "base.lowest", "base.highest", "unmask.matrix", "scene.matrix",
    "layers.red.slope", "layers.green.toe_log_exposure", "layers.blue.toe_power",
    "spread.slope", "spread.speed_log_e",
)  # fmt: skip


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("value", ["", "true", "nan", "''", "[1, 2]", "1e99", "[[1, 2], 3, 4]"])
def test_bad_value_is_refused_with_file_and_key(tmp_path, key, value):
    path = changed(tmp_path, key, value)
    with pytest.raises(SettingsProblem, match=rf"changed\.toml: key '{key}' ") as told:
        read_film(path)
    assert told.value.path == path


def test_matrix_that_cannot_be_undone_is_refused(tmp_path):
    path = changed(tmp_path, "unmask.matrix", "[[1, 2, 3], [2, 4, 6], [0, 0, 1]]")
    with pytest.raises(SettingsProblem, match=r"'unmask\.matrix' can't be inverted"):
        read_film(path)


@pytest.mark.parametrize("content", [b"=", b"\xff", b"a = " + b"[" * 9000])
def test_what_is_no_toml_is_refused_by_name(tmp_path, content):
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsProblem, match=r"broken\.toml: can't be read as a film profile"):
        read_film(path)
    with pytest.raises(SettingsProblem, match="can't be read as a film profile"):
        find_film(str(tmp_path / "absent.toml"))
