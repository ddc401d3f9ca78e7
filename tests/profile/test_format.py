"""Sizes of film and frames against ISO 1007 and ISO 732, as sources.toml has them."""

import json
import re
from pathlib import Path

import pytest

from pipeline.profile.format import film_sizes, formats_on, frame_formats
from pipeline.settings.settings import FORMATS


def test_every_format_that_can_be_asked_for_is_known():
    assert set(frame_formats()) == set(FORMATS)
    for name, entry in frame_formats().items():
        assert entry.name == name
        assert name.startswith(entry.film.name)


def test_135_film_has_the_published_sizes():
    film = film_sizes()["135"]
    # ISO 1007, from memory but for the pitch: width 34.975 +- 0.025, hole 2.794 across,
    # 2.01 from the edge.
    assert film.width_mm == pytest.approx(34.975, abs=0.025)
    assert film.perforation_pitch_mm == 4.75
    assert film.perforation_across_mm == pytest.approx(2.794)
    assert film.perforation_along_mm == pytest.approx(1.981)
    assert film.perforation_from_edge_mm == pytest.approx(2.01)


def test_eight_perforations_carry_a_frame_and_its_gap():
    # ISO 1007: 8 perforations, 38.00 mm; half frames at 19.00 mm.
    film, formats = film_sizes()["135"], frame_formats()
    pitch = film.perforation_pitch_mm
    assert pitch is not None
    for name, holes in (("135", 8), ("135-half", 4)):
        form = formats[name]
        assert form.image_along_mm + form.usual_gap_mm == pytest.approx(holes * pitch)
        assert form.gates_mm[0] <= form.image_along_mm <= form.gates_mm[1] < holes * pitch
    assert formats["135-half"].image_along_mm >= 18.0


@pytest.mark.parametrize(
    ("name", "along_mm"),
    # ISO 732 and the names of the formats; 6x7 is 69 to 70 mm by camera.
    [
        ("120-6x4.5", 41.5),
        ("120-6x6", 56.0),
        ("120-6x7", 69.5),
        ("120-6x9", 84.0),
        # Common practice, no source.
        ("120-6x8", 76.0),
        ("120-6x12", 112.0),
        ("120-6x17", 168.0),
    ],
)
def test_120_frames_have_the_published_lengths(name, along_mm):
    entry = frame_formats()[name]
    assert entry.image_along_mm == pytest.approx(along_mm, abs=0.5)
    assert entry.film.image_across_mm == 56.0
    assert entry.film.perforation_pitch_mm is None
    # 'about 61' to 61.5 mm, ISO 732, from memory.
    assert 60.5 <= entry.film.width_mm <= 62.0


@pytest.mark.parametrize("film", ["135", "120"])
def test_images_fit_between_what_else_is_on_the_film(film):
    size = film_sizes()[film]
    taken = 0.0
    if size.perforation_from_edge_mm is not None and size.perforation_across_mm is not None:
        taken = 2 * (size.perforation_from_edge_mm + size.perforation_across_mm)
    assert size.image_across_mm + taken <= size.width_mm
    assert size.least_visible_mm < size.image_across_mm
    assert all(0 < entry.gap_spread_mm < entry.usual_gap_mm for entry in formats_on(film))
    assert {entry.film for entry in formats_on(film)} == {size}


def test_no_formats_on_an_unknown_film():
    assert formats_on("110") == ()
    assert len(formats_on("135")) + len(formats_on("120")) == len(FORMATS)


def test_the_record_calls_every_format_by_a_name_that_its_schema_has():
    schema = (Path(__file__).parents[1] / "data" / "roll.schema.json").read_text("utf-8")
    names = json.loads(re.search(r'"format": {"enum": (\[.*?\])', schema)[1])
    told = {entry.recorded_as or entry.name for entry in frame_formats().values()}
    assert told == set(names)
