"""The colour of film base against usual figures of colour negative film."""

import itertools
import tomllib
from pathlib import Path

import numpy as np
import pytest

from pipeline.strip.base_light import is_orange

SOURCES = Path(__file__).parents[1] / "data" / "sources.toml"
D_MIN = tomllib.loads(SOURCES.read_text(encoding="utf-8"))["d-min"]


@pytest.mark.parametrize("ends", list(itertools.product(("lowest", "highest"), repeat=3)))
def test_any_mix_of_the_usual_bases_is_orange(ends):
    density = np.array([D_MIN[end][channel] for channel, end in enumerate(ends)])
    assert is_orange(density)


@pytest.mark.parametrize("density", [(0.3, 0.3, 0.3), (0.6, 0.3, 0.2), (0.1, 0.7, 0.3)])
def test_grey_cyan_and_magenta_are_not(density):
    assert not is_orange(np.array(density))
