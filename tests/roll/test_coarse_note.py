"""The note about densities that codes of 8 bits tell too coarsely: channel and share."""

from dataclasses import replace

import numpy as np

from pipeline.roll.coarse import coarse_note
from pipeline.survey.rounding import Rounding
from tests.survey.surveyed import frame, strip

AT = np.linspace(0.0, 3.2, 33)
# A code rounds blue by more than 0.05 above a density of 1.6.
BLUE = np.stack([0 * AT, 0 * AT, 0.05 * (AT / 1.6) ** 2], axis=1)


def pictures(share: float, bits: int = 8):
    """Return a strip of one picture, of which a share is denser than that."""
    samples = np.full((200, 3), 1.0, np.float32)
    samples[: round(200 * share)] = 2.0
    rounding = Rounding(BLUE, coarse=bits == 8)
    return strip([replace(frame(), samples=samples, rounding=rounding)])


def test_channel_and_share_are_told():
    said = coarse_note([pictures(0.1), pictures(0.3)])
    assert said is not None
    assert "blue in 20 % (up to 30 %)" in said
    assert "red" not in said


def test_next_to_nothing_is_not_told():
    assert coarse_note([pictures(0.005)]) is None
    assert coarse_note([pictures(0.3, bits=16)]) is None
    assert coarse_note([]) is None
