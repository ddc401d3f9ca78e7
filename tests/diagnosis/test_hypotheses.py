"""What may be true of a roll, by the shipped model and by changed ones."""

import tomllib

import numpy as np
import pytest

from pipeline.diagnosis.hypotheses import NORMAL, hypotheses_of
from pipeline.profile.folder import profiles_folder


def document(**exposure: float) -> dict:
    told = tomllib.loads((profiles_folder() / "fault_signs.toml").read_text("utf-8"))
    return told | {"exposure": told["exposure"] | exposure}


@pytest.mark.parametrize("share", [0.02, 0.3])
def test_dark_subjects_have_their_share_of_rolls_of_usual_exposure(share):
    sound = [h for h in hypotheses_of(document(dark_prior=share)) if h.codes == (NORMAL,)]
    dark = sum(h.prior for h in sound if h.dark > 0.0)
    assert dark == pytest.approx(share * sum(h.prior for h in sound), rel=1e-2)
    assert {h.dark for h in sound} == {0.0, 0.5, 1.0}


@pytest.mark.parametrize("code", ["under-exposed", "over-exposed"])
def test_the_further_an_exposure_is_off_the_rarer_it_is(code):
    """Reference: `far_stops` more make a roll rarer by e."""
    of_exposure = [h for h in hypotheses_of(document(far_stops=2.0)) if h.codes == (code,)]
    places = np.array([h.log_exposure for h in of_exposure])
    off = np.abs(places - document()["exposure"]["usual"]) / np.log10(2.0)
    falls = np.diff(np.log([h.prior for h in of_exposure])) / np.diff(off)
    assert falls == pytest.approx(-0.5, abs=1e-6)
