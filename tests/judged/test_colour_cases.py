"""The rolls and the yardstick of the colour benchmark: what they hold, and what a true colour gets.

References: the reflectances of the ISO 17321-1 chart in colour-science, through the film model.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.colour.unmask import from_profile
from pipeline.profile.film import find_film
from tests.film_model import FrameSpec, Process, load_film, load_scanner
from tests.film_model.dyes import base_dye, spectral_density
from tests.judged.colour import Chart, colour, known_profile, scene_lab
from tests.judged.colour_cases import CASES, EXPOSURES_STOPS, Setup, case_scans, drawn_gains

SETUP = Setup("film-a", "scanner-a", ppi=60.0)
CHARTS = {"strips": 3, "exposure": len(EXPOSURES_STOPS)}


def charts_of(frames: list[FrameSpec]) -> list[FrameSpec]:
    return [frame for frame in frames if frame.scene == "chart"]


@pytest.mark.parametrize("name", CASES)
def test_every_roll_has_its_charts_and_follows_from_its_seed(name):
    rolls = [CASES[name].frames(np.random.default_rng(seed), 8) for seed in (3, 3, 4)]
    assert rolls[0] == rolls[1] != rolls[2]
    for frames in rolls:
        assert len(charts_of(frames)) == CHARTS.get(name, 1)


def test_exposures_are_as_asked_and_each_strip_has_its_chart():
    frames = CASES["exposure"].frames(np.random.default_rng(0), 8)
    assert sorted(frame.exposure_stops for frame in charts_of(frames)) == [-2.0, 0.0, 3.0]
    frames = CASES["strips"].frames(np.random.default_rng(0), 8)
    assert [len(charts_of(frames[n : n + 3])) for n in (0, 3, 6)] == [1, 1, 1]


def test_gains_of_a_strong_drift_reach_its_ends_and_clip_nothing():
    gains = np.array(drawn_gains(np.random.default_rng(0), 5, 0.25))
    assert gains.min() == pytest.approx(0.75)
    assert gains.max() == pytest.approx(1.25)
    # Against each other, too: one channel up, another down.
    assert np.ptp(gains, axis=1).max() > 0.4
    scans = case_scans(CASES["strips"], SETUP, 0)
    assert len(scans) == 3
    assert max(int(scan.codes.max()) for scan in scans) < 65535


def test_known_slopes_make_the_grey_steps_of_the_film_neutral():
    profile = find_film("generic")
    known = known_profile(profile, SETUP)
    assert known.unmask == profile.unmask
    assert known.slope_spread < profile.slope_spread
    # Grey steps through the film model come back as they were exposed, in all three layers.
    exposure = np.repeat(2.0 ** np.arange(-3, 3.1)[:, None], 3, axis=1)
    film, process, device = load_film(SETUP.film), Process(), load_scanner(SETUP.scanner)
    base = device.density(spectral_density(film, process, base_dye(film, process)))
    seen = device.density(spectral_density(film, process, film.develop(exposure, process))) - base
    layers = seen @ np.array(known.unmask).T
    for channel, curve in enumerate(known.curves):
        assert curve.exposure(layers[:, channel]) == pytest.approx(0.18 * exposure[:, 0], rel=0.06)


def test_a_chart_in_its_own_colours_has_no_error():
    plain = ((1, 0, 0), (0, 1, 0), (0, 0, 1))
    shown = replace(from_profile(find_film("generic")), unmask=plain, scene=plain)
    d50 = colour.RGB_COLOURSPACES["ROMM RGB"].whitepoint
    acescg = colour.RGB_COLOURSPACES["ACEScg"]
    lab = np.array([[95.0, 0, 0], [50, 0, 0], [45, 40, 20], [60, -30, 25], [40, 5, -30]])
    xyz = colour.chromatic_adaptation(
        colour.Lab_to_XYZ(lab, d50),
        colour.xy_to_XYZ(d50),
        colour.xy_to_XYZ(acescg.whitepoint),
        method="Von Kries",
        transform="Bradford",
    )
    # Three stops over: one factor brings it back.
    light = 8.0 * colour.XYZ_to_RGB(xyz, acescg, apply_cctf_encoding=False)
    assert light.min() > 0
    above = np.stack([c.density(light[:, n]) for n, c in enumerate(shown.curves)], axis=1)
    seen, lift = scene_lab(Chart(above[:, None], above, lab, 0.0), shown)
    assert lift == pytest.approx(-3.0, abs=0.02)
    assert colour.delta_E(seen, lab, method="CIE 2000").max() < 0.1
