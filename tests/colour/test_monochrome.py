"""Black-and-white film: told from colour film, and rendered in one channel.

The film model's silver film and its colour films (tests/film_model) say which is which.
"""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.colour.roll import as_grey, is_one_channel, one_channel
from pipeline.colour.unmask import scene_light
from pipeline.problem import ScanProblem
from pipeline.profile.film import find_film
from pipeline.scan.scan import reduce
from pipeline.settings.settings import Settings
from pipeline.strip.kind import film_kind
from pipeline.survey import scan_look as survey
from pipeline.survey.scan import survey_scan
from tests.conftest import Run
from tests.film_model import FrameSpec, Roll, StripSpec, film_names, make_scan, write_scan

GREY = (0.3, 0.3, 0.31)
FILM = find_film("monochrome")


def scan_file(folder: Path, film: str, scenes: tuple[str, ...], **options) -> Path:
    roll = Roll(film, tuple(map(FrameSpec, scenes)), seed=3)
    scan = make_scan([StripSpec(roll, 0, len(scenes))], ppi=160.0, seed=3, **options)
    return write_scan(folder, "strip", scan)


def kind_of(path: Path) -> str:
    strips = survey_scan(path, Settings()).strips
    samples = [frame.samples for strip in strips for frame in strip.frames]
    return film_kind([strip.base.density for strip in strips], samples)


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c", "scanner-e"])
@pytest.mark.parametrize("open_gate", [None, 1.3])
def test_silver_is_found_by_itself(scanner, open_gate, tmp_path):
    scenes = ("table", "coffee")
    path = scan_file(tmp_path, "film-silver", scenes, scanner=scanner, open_gate=open_gate)
    assert kind_of(path) == "monochrome"


@pytest.mark.parametrize("film", film_names())
def test_grey_scenes_on_colour_film_are_colour(film, tmp_path):
    # A scanner that evens out the channels, and clips the gate, leaves nothing of the orange.
    strip = StripSpec(Roll(film, (FrameSpec("steps"),), seed=3), 0, 1)
    density = np.array(make_scan([strip], ppi=60.0).truth["strips"][0]["base_density"])
    gains = tuple((0.6 / (1.3 * 10.0**-density)).tolist())
    path = scan_file(tmp_path, film, ("steps", "coins"), open_gate=1.3, gains=gains)
    assert kind_of(path) == "colour"


def test_too_little_picture_is_unclear():
    assert film_kind([GREY], []) == "unclear"
    tones = np.repeat(np.linspace(0.2, 1.2, 390)[:, None], 3, axis=1)
    assert film_kind([GREY], [tones[::3]]) == "unclear"
    assert film_kind([GREY], [tones]) == "monochrome"
    assert film_kind([], []) == "colour"
    rng = np.random.default_rng(1)
    even = 0.5 + 0.002 * rng.standard_normal((900, 3))
    assert film_kind([GREY], [even]) == "unclear"
    assert film_kind([(0.2, 0.6, 0.9)], [even]) == "colour"


@pytest.mark.parametrize("slopes", [(0.94, 0.90), (1.04, 0.93)])
def test_layers_of_other_slopes_are_colour_film_however_grey_its_pictures(slopes):
    tones = 0.3 + 0.04 * np.random.default_rng(2).standard_normal((900, 1))
    tones[:100] += 0.4
    # Densities cross in the middle of the picture, so that they are nowhere far apart.
    layers = 0.4 + (tones - 0.3) * np.array([[slopes[0], 1.0, slopes[1]]])
    assert film_kind([GREY], [layers]) == "colour"


@given(st.floats(0.9, 1.1), st.floats(0.0, 0.1))
def test_colour_anywhere_is_colour_film(slope, tint):
    tones = np.linspace(0.2, 1.6, 900)
    layers = np.column_stack([tones, tones, tones * slope])
    layers[::2, 0] += tint
    kind = film_kind([GREY], [layers])
    if abs(slope - 1.0) > 0.08 or tint > 0.07:
        assert kind == "colour"
    if abs(slope - 1.0) < 0.01 and tint < 0.01:
        assert kind == "monochrome"


@pytest.mark.parametrize("film", ["film-a", "film-silver"])
def test_a_scan_is_reduced_once_whatever_film_it_shows(film, tmp_path, monkeypatch):
    path = scan_file(tmp_path, film, ("coffee", "table"))
    reduced: list[Path] = []

    def counting(scan, factor):
        reduced.append(scan.path)
        return reduce(scan, factor)

    monkeypatch.setattr(survey, "reduce", counting)
    assert survey_scan(path, Settings()).strips
    assert reduced == [path]


def test_a_film_without_clear_pictures_is_refused_with_the_word_for_it(tmp_path):
    path = scan_file(tmp_path, "film-silver", ("grey", "grey"))
    with pytest.raises(ScanProblem, match="give --monochrome"):
        survey_scan(path, Settings())
    assert len(survey_scan(path, Settings(monochrome=True)).strips) == 1
    with pytest.raises(ScanProblem, match="no strip of colour negative film"):
        survey_scan(path, Settings(monochrome=False))


@given(st.lists(st.floats(0.001, 0.1), min_size=3, max_size=3))
def test_channels_are_mixed_for_the_least_noise(spreads):
    colour = one_channel(FILM, [tuple(spreads)])
    mix = np.array(colour.unmask[1])
    assert is_one_channel(colour)
    assert mix.sum() == pytest.approx(1.0)
    noise = np.maximum(spreads, 0.002)
    assert (mix * noise) @ (mix * noise) <= 1.0001 * min(noise) ** 2
    grey = scene_light(np.full((5, 3), 0.7), colour)
    assert np.ptp(grey, axis=1) == pytest.approx(np.zeros(5), abs=1e-12)


def test_grey_is_made_exact_for_one_channel_only():
    picture = np.arange(24, dtype=np.uint16).reshape(2, 4, 3)
    one = as_grey(picture, one_channel(FILM, [(0.01, 0.01, 0.01)]))
    assert (one == picture[..., 1:2]).all()
    from pipeline.colour.unmask import from_profile

    assert as_grey(picture, from_profile(find_film("generic"))) is picture


@pytest.mark.parametrize("look", ["print", "linear"])
def test_command_writes_grey_pictures(look, tmp_path, run: Run):
    folder = tmp_path / "roll"
    scan_file(folder, "film-silver", ("table", "coffee"))
    assert run("convert", folder, "-o", tmp_path / "out", "--look", look).code == 0
    for name in ("roll_01", "roll_02"):
        archive = tifffile.imread(tmp_path / "out" / f"{name}.tif")
        assert (np.ptp(archive, axis=2) == 0).all()
        assert archive.std() > 0.05 * archive.max()
        with Image.open(tmp_path / "out" / f"{name}.jpg") as share:
            assert np.ptp(np.asarray(share).astype(int), axis=2).max() <= 2


def test_tones_come_out_in_order_and_true(tmp_path):
    """Log exposures of a scale of greys against the model's own: straight but for the toe."""
    path = scan_file(tmp_path, "film-silver", ("steps", "coffee"), noise=False)
    (strip,) = survey_scan(path, Settings()).strips
    samples = np.concatenate([frame.samples for frame in strip.frames]).astype(float)
    light = scene_light(samples, one_channel(FILM, [strip.base.spread]))[:, 1]
    order = np.argsort(samples.mean(axis=1))
    assert (np.diff(light[order]) >= -0.02 * light.max()).all()
    assert np.ptp(np.log10(np.maximum(light, 1e-3))) > 1.0
