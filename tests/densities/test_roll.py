"""Figures of strips and roll against ones worked out by hand, and their laws."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.unmask import from_profile
from pipeline.densities.roll import roll_densities, strip_densities, toe_density, trust
from pipeline.profile.curve import LayerCurve
from pipeline.profile.film import find_film
from pipeline.profile.scanner import base_status_m, find_scanner, status_m
from pipeline.scan.container import CameraExposure
from pipeline.scan.encoding import srgb
from tests.survey.surveyed import RELATIVE, film_base, frame, strip

GENERIC = find_film("generic")
COLOUR = from_profile(GENERIC)
SCANNER = find_scanner("narrow-band")
UNNAMED = SimpleNamespace(encoding=srgb("assumed"))
DEVELOPED = SimpleNamespace(encoding=srgb("icc"), exposure=CameraExposure(0.01))
ERROR = (0.01, 0.01, 0.02)


@dataclass(frozen=True)
class Curve:
    contrast: tuple[float, float, float] = (0.6, 0.65, 0.72)
    contrast_error: tuple[float, float, float] = (0.01, 0.01, 0.01)
    how: str = "wedge"


def printed(density, error=ERROR, **changes):
    return strip(
        [frame()], print_density=(density,) * 3, print_error=error, print_from="codes", **changes
    )


def test_a_curve_on_the_film_gives_the_contrast_and_no_guess():
    told = roll_densities([printed(0.9)], COLOUR, GENERIC, curve=Curve())
    assert (told.contrast, told.contrast_error, told.contrast_how) == (
        (0.6, 0.65, 0.72), (0.01,) * 3, "wedge",
    )  # fmt: skip
    assert told.contrast_estimate is None
    # Slopes lie 0.12 apart, of a mean of 0.6567.
    assert told.channel_spread.slope == pytest.approx(0.12 / 0.65667, abs=1e-4)


def test_without_one_contrast_is_a_guess():
    told = roll_densities([printed(0.9)], COLOUR, GENERIC)
    assert told.contrast is None
    assert told.contrast_estimate.how == "edge print"
    assert roll_densities([], COLOUR, GENERIC).contrast_estimate is None


@given(
    st.lists(st.tuples(st.floats(0.2, 1.4), st.floats(0.005, 0.1)), min_size=1, max_size=6),
    st.randoms(),
)
def test_the_order_of_strips_does_not_matter(strips, random):
    made = [printed(density, (error,) * 3) for density, error in strips]
    one = roll_densities(made, COLOUR, GENERIC)
    random.shuffle(made)
    other = roll_densities(made, COLOUR, GENERIC)
    assert other.edge_print == pytest.approx(one.edge_print)
    assert other.edge_print_error == pytest.approx(one.edge_print_error)
    assert other.base == pytest.approx(one.base)
    low, high = (f([density for density, _ in strips]) for f in (min, max))
    assert low - 1e-9 <= one.edge_print[0] <= high + 1e-9


def test_status_m_stands_beside_wherever_a_profile_is_named():
    made = printed(0.9, d_max=(2.0,) * 3, d_max_error=ERROR)
    told = roll_densities([made], COLOUR, GENERIC, SCANNER)
    for seen, shown in (
        (told.edge_print, told.edge_print_status_m),
        (told.d_max.density, told.d_max.status_m),
    ):
        assert shown == pytest.approx(status_m(np.array(seen), SCANNER))
    of_base = base_status_m(np.array(told.base), SCANNER)
    assert told.base_status_m == pytest.approx(of_base)
    assert told.base_usual == (GENERIC.base_low, GENERIC.base_high)
    of_strip = strip_densities(made, COLOUR, SCANNER)
    assert of_strip.edge_print.status_m == pytest.approx(told.edge_print_status_m)
    relative = roll_densities(
        [replace(made, base=film_base(illumination=RELATIVE))], COLOUR, GENERIC, SCANNER
    )
    assert (relative.base_status_m, relative.base_usual) == (None, None)


def test_toe_ends_where_the_slope_is_half():
    # D = s / p log10(1 + r^p) has the slope s r^p / (1 + r^p): half of it at r = 1.
    curve = LayerCurve(slope=0.6, toe_exposure=0.01, toe_power=1.5)
    assert toe_density(curve) == pytest.approx(0.6 / 1.5 * np.log10(2.0), abs=0.003)


def test_shares_count_the_pictures_pixels():
    grey = np.array([0.05, 0.05, 0.5, 0.9, 2.4], np.float32)[:, None].repeat(3, axis=1)
    made = strip([replace(frame(), samples=grey), replace(frame(kind="blank"), samples=grey[:1])])
    told = strip_densities(made, COLOUR, None)
    # The profile's rows take greys to themselves: two of five in the toe, one in the shoulder.
    assert told.toe == pytest.approx((0.4,) * 3)
    assert told.shoulder == pytest.approx((0.2,) * 3)
    assert told.range == pytest.approx((1.4,) * 3)
    bare = strip_densities(strip(), COLOUR, None)
    assert (bare.toe, bare.shoulder, bare.range, bare.edge_print, bare.d_max) == (None,) * 5


@pytest.mark.parametrize(
    ("words", "changes", "clipped", "scanner"),
    [
        ("full scale (clipped)", {"base": film_base(illumination=RELATIVE)}, True, None),
        ("No open gate is in view", {"base": film_base(illumination=RELATIVE)}, False, None),
        ("neither its colour profile", {"scan": UNNAMED}, False, None),
        ("doesn't tell: all densities are doubtful", {"scan": DEVELOPED}, False, None),
        ("dark level and flare are not known", {}, False, None),
        ("not Status M", {}, False, None),
        ("Status M is computed", {}, False, SCANNER),
        ("Of 1 picture only", {}, False, None),
        ("No edge print was measured", {"print_density": None}, False, None),
        ("contrast is a guess", {}, False, None),
        ("None of this is a densitometer's reading", {}, False, None),
    ],
)
def test_what_limits_the_figures_is_said(words, changes, clipped, scanner):
    made = replace(printed(0.9), **changes)
    assert any(words in line for line in trust([made], scanner, clipped))


def test_a_measured_curve_is_no_guess():
    assert not any("guess" in line for line in trust([printed(0.9)], None, False, Curve()))
    assert trust([], None, False) == ("No film was found, so there is nothing to trust.",)
