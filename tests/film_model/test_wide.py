"""Films, scanners and cameras unlike the everyday ones: what they differ in, and that splits hold.

Published figures: sources.toml [slopes], [unit-dyes], [smaller-images].
"""

import itertools

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.film_model import (
    FrameSpec,
    Process,
    Roll,
    StripSpec,
    film_names,
    load_film,
    load_scanner,
    make_scan,
    scanner_names,
)
from tests.film_model.cameras import camera_kinds, cameras_of
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.film_format import format_names, load_format
from tests.film_model.roll import lay_out
from tests.film_model.scanner import lamp_light, scanners_of
from tests.film_model.spectra import lobe, wavelengths_nm
from tests.film_model.stock import films_of
from tests.film_model.test_model import base, steepest_slope
from tests.sources import SOURCES

SPLITS = ("used", "left-out")
WIDE = [name for split in SPLITS for name in films_of(split) if name not in film_names()]
WIDE_SCANNERS = [n for split in SPLITS for n in scanners_of(split) if n not in scanner_names()]


@pytest.mark.parametrize("names", [films_of, scanners_of])
def test_nothing_is_both_used_and_left_out(names) -> None:
    used, left_out = (set(names(split)) for split in SPLITS)
    assert not used & left_out
    assert len(left_out) >= 3


def test_random_rolls_are_drawn_from_used_films_and_scanners_alone() -> None:
    assert set(film_names()) <= set(films_of("used"))
    assert set(scanner_names()) <= set(scanners_of("used"))


@pytest.mark.parametrize("name", WIDE)
def test_slopes_lie_between_half_and_the_steepest_published(name: str) -> None:
    slope = steepest_slope(load_film(name))
    assert (slope >= 0.50).all(), slope
    assert (slope <= SOURCES["slopes"]["highest"]).all(), slope


@pytest.mark.parametrize("name", WIDE)
def test_no_dye_is_a_bell(name: str) -> None:
    """The best two-sided bell leaves more than 1.5 % of the peak unexplained."""
    nm = wavelengths_nm()

    for dye in load_film(name).dye_spectra:

        def rest(theta, dye=dye):
            return lobe(theta[0], theta[1], *np.abs(theta[2:])) - dye

        start = [nm[dye.argmax()], 1.0, 45.0, 40.0]
        assert np.abs(least_squares(rest, start).fun).max() > 0.015


@pytest.mark.parametrize("name", WIDE)
def test_dyes_are_light_that_is_taken_away_and_peak_at_one(name: str) -> None:
    dyes = load_film(name).dye_spectra
    assert (dyes >= 0).all()
    assert dyes.max(axis=1) == pytest.approx(np.ones(3), abs=1e-9)


def test_a_wide_film_of_published_absorptions_has_them() -> None:
    """Green that cyan takes and blue that magenta takes: sources.toml [unit-dyes]."""
    from tests.film_model.test_model import status_m

    published = np.array(SOURCES["unit-dyes"]["without_mask"])
    measured = status_m(load_film("wide-d").dye_spectra).T
    np.testing.assert_allclose(measured, published, atol=0.08)


def test_bases_run_from_grey_and_purple_to_deep_orange() -> None:
    """Blue over red, base-10 density: about 0.67 on published films (sources.toml [d-min])."""
    orange = {name: float(np.diff(base(load_film(name))[[0, 2]])[0]) for name in WIDE}
    assert min(orange.values()) < 0.25
    assert max(orange.values()) > 0.65
    purple = base(load_film("wide-g"))
    assert purple[1] > purple[0] + 0.2
    assert purple[1] > purple[2]


def test_two_emulsions_bend_the_curve_twice() -> None:
    film = load_film("wide-g")
    x = np.repeat(np.linspace(-3, 1.0, 200)[:, None], 3, axis=1)
    slope = np.gradient(film.curve(x)[:, 1], x[:, 1])
    assert (np.diff(slope[:150]) > -1e-6).all()
    first_step = film.slope[1] * (1 - film.second_toe[0])
    assert slope.max() > first_step + 0.1


@pytest.mark.parametrize("name", WIDE_SCANNERS)
def test_a_wide_scanner_sees_a_grey_filter_as_it_is(name: str) -> None:
    """A spectrally flat filter has the same density whatever the light (ISO 5-3)."""
    seen = load_scanner(name).density(np.full(len(wavelengths_nm()), 1.3))
    assert seen == pytest.approx(np.full(3, 1.3), abs=1e-9)


def test_camera_bands_overlap_where_diodes_do_not() -> None:
    def overlap(name: str) -> float:
        red, green, _ = load_scanner(name).weights
        return float(np.minimum(red, green).sum())

    assert overlap("wide-camera") > 0.25
    assert overlap("judge-camera") > 0.25
    assert overlap("wide-diodes") < 0.01


def test_a_white_diode_has_its_blue_spike() -> None:
    """The dip between spike and phosphor lies near 480 nm (from memory)."""
    light = lamp_light({"lobes": [[452.0, 1.0, 9.0, 12.0], [555.0, 0.55, 38.0, 62.0]]})
    nm = wavelengths_nm()
    assert 440 <= nm[light.argmax()] <= 460
    dip = light[(nm > 460) & (nm < 530)]
    assert dip.min() < 0.4 * light[(nm > 530)].max()


def test_infrared_leaks_lighten_what_film_lets_through() -> None:
    film = load_film("wide-b")
    heavy = spectral_density(film, Process(), np.full(3, 2.2))
    leaking, tight = load_scanner("judge-filters"), load_scanner("scanner-b")
    assert leaking.density(heavy)[2] < tight.density(heavy)[2] - 0.1
    assert (leaking.density(spectral_density(film, Process(), base_dye(film, Process()))) > 0).all()


@pytest.mark.parametrize("split", SPLITS)
def test_each_split_has_cameras_of_every_format(split: str) -> None:
    assert {kind.format for kind in cameras_of(split)} == set(format_names())


@pytest.mark.parametrize("kind", camera_kinds(), ids=lambda kind: kind.name)
def test_a_drawn_camera_has_gate_and_bar_of_its_kind(kind) -> None:
    rng = np.random.default_rng(3)
    camera = kind.drawn(rng)
    frames = (FrameSpec(),) * 300
    gates = lay_out(Roll("film-a", frames, kind.format, camera=camera, seed=1)).gates
    form = load_format(kind.format)
    along = gates[0].u1_mm - gates[0].u0_mm
    bars = [b.u0_mm - a.u1_mm for a, b in itertools.pairwise(gates)]
    assert kind.along_mm[0] <= along <= kind.along_mm[1]
    assert kind.along_mm[0] - 2 <= form.image_mm[0] <= kind.along_mm[1] + 8
    assert kind.bar_mm[0] - 0.2 <= np.median(bars) <= kind.bar_mm[1] + 0.2
    assert np.std(bars) == pytest.approx(camera.gap_jitter_mm, rel=0.15)


def test_a_frame_of_another_length_moves_all_after_it() -> None:
    plain = Roll("film-a", (FrameSpec(),) * 4, "135-half", seed=2)
    mixed = Roll(
        "film-a", (FrameSpec(), FrameSpec(along_mm=36.0), FrameSpec(), FrameSpec()), "135-half",
        seed=2,
    )  # fmt: skip
    before, after = lay_out(plain).gates, lay_out(mixed).gates
    assert after[1].u1_mm - after[1].u0_mm == pytest.approx(36.0)
    assert after[0].u1_mm == before[0].u1_mm
    assert after[2].u0_mm - before[2].u0_mm == pytest.approx(18.0)
    truth = make_scan([StripSpec(mixed, 0, 4)], ppi=100.0).truth["strips"][0]
    widths = [abs(f["outline"][1][0] - f["outline"][0][0]) / 100 * 25.4 for f in truth["frames"]]
    assert widths == pytest.approx([18, 36, 18, 18], abs=0.05)
