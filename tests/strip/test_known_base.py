"""Base of known colour and evenness: its exposure by what shows of it."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.kinds import as_triple
from pipeline.strip.base import FilmBase, given_base
from pipeline.strip.density import Illumination
from pipeline.strip.known_base import full_of, gains_over, known_base

SHAPE = (160, 240)
DARKLESS = Illumination((0.0,) * 3, None)
TERMS = np.array(
    [
        (-0.25, 0.02, -0.06, 0.0, -0.03),
        (-0.45, 0.02, -0.06, 0.0, -0.03),
        (-0.8, 0.02, -0.06, 0.0, -0.03),
    ]
)


def lit(gain: float) -> np.ndarray:
    """Return light (h, w, 3) of a picture in a rim of base, as a file of limited range keeps it."""
    rng = np.random.default_rng(3)
    base = given_base((1.0,) * 3, (0.0,) * 3, DARKLESS, TERMS, SHAPE)
    x, y = np.meshgrid(np.linspace(-1, 1, SHAPE[1]), np.linspace(-1, 1, SHAPE[0]))
    density = rng.normal(0.0, 0.01, (*SHAPE, 3))
    density[20:-20, 30:-30] += 0.5
    return np.minimum(10.0 ** (base.log_light(x, y) + gain - density), 1.0).astype(np.float32)


def rough(light: np.ndarray) -> FilmBase:
    """Return an even base of a light (3)."""
    return given_base(as_triple(light), (0.0,) * 3, DARKLESS, TERMS * 0, SHAPE)


def outside() -> np.ndarray:
    """Return (h, w) where no picture lies."""
    mask = np.ones(SHAPE, bool)
    mask[18:-18, 28:-28] = False
    return mask


@pytest.mark.parametrize("gain", [-0.4, 0.0, 0.2, 0.4])
def test_exposure_is_told_by_channels_below_full_scale(gain):
    light = lit(gain)
    seen = np.minimum(10.0 ** (TERMS[:, 0] + gain), 1.0)
    found = known_base(light, rough(seen), TERMS, 6.0, outside())
    assert found is not None
    assert_allclose(np.array(found.shading)[:, 0], TERMS[:, 0] + gain, atol=0.003)
    assert_allclose(np.array(found.shading)[:, 1:], TERMS[:, 1:], atol=1e-9)
    assert not found.given


def test_without_any_of_its_colour_there_is_no_base():
    light = lit(-0.3)[..., ::-1]
    seen = 10.0 ** (TERMS[::-1, 0] - 0.3)
    assert known_base(light, rough(seen), TERMS, 6.0, outside()) is None


def test_full_channels_belie_a_base_that_is_darker_there():
    off = np.array([[(0.2, 0.0, 0.0), (-0.2, 0.0, 0.0), (0.0, 0.0, 0.0)]], np.float32)
    full = np.zeros(off.shape, bool)
    full[..., 0] = True
    gains, alike = gains_over(off, full)
    assert_allclose(gains, 0.0)
    assert alike.tolist() == [[False, True, True]]
    assert full_of(np.ones((1, 1, 3), np.float32)).all()
