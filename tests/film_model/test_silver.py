"""Silver film, and the infra-red plane beside the picture, as the film model makes them.

References: scipy.ndimage.shift moves planes; that silver is as dense in the infra-red as in the
visible, and dust as dark, is common practice, no source.
"""

import numpy as np
import pytest
import scipy.ndimage
import tifffile

from tests.film_model import (
    FrameSpec,
    Process,
    Roll,
    StripSpec,
    film_names,
    load_film,
    load_scanner,
    make_scan,
    write_scan,
)
from tests.film_model.dyes import spectral_density


def scan_of(film: str = "film-a", **options):
    strips = [StripSpec(Roll(film, (FrameSpec("coffee"),), seed=4), 0, 1)]
    return make_scan(strips, ppi=150.0, seed=1, infrared=True, **options)


def test_silver_is_neutral_into_the_infra_red():
    film = load_film("film-silver")
    dye = film.develop(10.0 ** np.linspace(-2, 1, 30)[:, None] * np.ones(3), Process())
    spectra = spectral_density(film, Process(), dye)
    assert np.ptp(spectra[:, :30], axis=1) == pytest.approx(np.zeros(30), abs=1e-2)
    image = spectra - spectra[0]
    assert image[:, -1] == pytest.approx(image[:, 10], abs=1e-6)
    seen = load_scanner("scanner-b").density(spectra)
    assert np.ptp(seen, axis=1).max() < 0.01
    # About 0.55 to 0.65 in the straight part: common practice, no source.
    assert np.diff(seen[:, 1]).max() / 0.1034 == pytest.approx(0.6, abs=0.04)


def test_silver_film_is_drawn_by_no_random_roll():
    assert "film-silver" not in film_names()


def test_dust_by_a_seed_of_its_own_leaves_all_else():
    clean, dusty = scan_of(), scan_of(dust_count=30, dust_seed=2)
    untouched = dusty.dust == 1.0
    far = scipy.ndimage.binary_erosion(untouched, iterations=8)
    assert 0.5 < far.mean() < 1.0
    difference = dusty.codes.astype(int) - clean.codes
    assert np.abs(difference[far]).max() < 40
    assert difference[~untouched].min() < -2000
    assert clean.dust is None
    again = scan_of(dust_count=30, dust_seed=3)
    assert (again.dust != dusty.dust).any()


def test_the_plane_lies_beside_the_picture_as_told():
    straight = scan_of(noise=False).infrared.astype(float)
    aside = scan_of(noise=False, infrared_shift_px=(2.0, -1.0)).infrared.astype(float)
    moved = scipy.ndimage.shift(straight, (-1.0, 2.0), order=1, mode="nearest")
    inner = (slice(30, -30), slice(30, -30))
    assert np.abs(aside - moved)[inner].mean() < 0.01 * straight[inner].mean()
    soft = scan_of(noise=False, infrared_blur_px=1.5).infrared.astype(float)
    assert np.abs(np.diff(soft)).mean() < 0.9 * np.abs(np.diff(straight)).mean()


@pytest.mark.parametrize("page", [False, True])
def test_the_plane_is_written_with_the_picture_or_after_it(page, tmp_path):
    scan = scan_of()
    path = write_scan(tmp_path, "strip", scan, infrared_page=page)
    with tifffile.TiffFile(path) as file:
        assert [each.samplesperpixel for each in file.pages] == ([3, 1] if page else [4])
        first = file.pages[0].asarray()
        plane = file.pages[1].asarray() if page else first[..., 3]
    assert (first[..., :3] == scan.codes).all()
    assert (plane == scan.infrared).all()
