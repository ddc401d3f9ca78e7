"""What is told of a picture: builder, texts, dates."""

import dataclasses
import xml.etree.ElementTree as ET
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.record.record import (
    BaseRecord,
    ColourRecord,
    DensityRecord,
    FilesRecord,
    FrameRecord,
    RollDensities,
    RollRecord,
    StripRecord,
)
from pipeline.settings.settings import RollNotes
from pipeline.write.metadata import (
    FrameMetadata,
    clean_text,
    frame_metadata,
    parsed_date,
    shortened,
)

CORNERS = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
FRAME = FrameRecord(
    number="07",
    number_from="edge",
    kind="picture",
    outline=CORNERS,
    confidence=0.97,
    files=FilesRecord(),
    density=DensityRecord((0.1, 0.1, 0.1), (0.6, 0.7, 0.8), (1.5, 1.6, 1.7)),
)
STRIP = StripRecord(
    scan="strip one.tif",
    page=2,
    ppi=1600.0,
    ppi_from="tag",
    format="135",
    outline=CORNERS,
    angle_deg=0.3,
    mirrored=False,
    base=BaseRecord((0.21, 0.63, 0.88), True, (0.01, 0.01, 0.01), 120.0),
    edge_codes=(),
    frames=(FRAME,),
)


def built(notes: RollNotes, **more: object) -> FrameMetadata:
    colour = ColourRecord((0.0,) * 3, (1.0,) * 3, "profile")
    densities = RollDensities(None, None, None, None)
    record = RollRecord({"id": "summer"}, "generic", "print", colour, (STRIP,), densities)
    return frame_metadata(notes, record, STRIP, FRAME, **more)


def test_everything_measured_and_noted_is_told():
    notes = RollNotes(
        film="Colour 400",
        iso=400,
        exposure_index=200,
        camera="box",
        lens="80 mm",
        photographer="A. Person",
        copyright="2024 A. Person",
        place="By the sea",
        date="2024-07-14",
        developed="2024-08-01",
        notes="Windy.",
        batch={"name": "kit 3"},
    )
    told = built(notes, digitized=datetime(2024, 9, 1, 12), device={"make": "flatbed"})
    assert told == FrameMetadata(
        title="summer 07",
        description="Roll summer, frame 07, film Colour 400, ISO 400, exposed at 200, "
        "developed 2024-08-01. Windy.",
        keywords=("colour negative film", "Colour 400", "135", "roll summer"),
        photographer="A. Person",
        copyright="2024 A. Person",
        place="By the sea",
        camera="box",
        lens="80 mm",
        iso=400,
        exposure_index=200,
        taken="2024-07-14",
        digitized=datetime(2024, 9, 1, 12),
        roll="summer",
        number="07",
        number_from="edge",
        stock="Colour 400",
        format="135",
        developed="2024-08-01",
        batch={"name": "kit 3"},
        scan="strip one.tif",
        page=2,
        device={"make": "flatbed"},
        profile="generic",
        look="print",
        confidence=0.97,
        density_absolute=True,
        base_density=(0.21, 0.63, 0.88),
        density_min=(0.1, 0.1, 0.1),
        density_median=(0.6, 0.7, 0.8),
        density_max=(1.5, 1.6, 1.7),
    )


def test_nothing_is_made_up_where_nothing_is_noted():
    told = built(RollNotes())
    assert told.description == "Roll summer, frame 07"
    assert told.keywords == ("colour negative film", "135", "roll summer")
    assert (told.camera, told.lens, told.iso, told.taken, told.digitized) == (None,) * 5
    assert dict(told.device) == {}


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("  plain ", "plain"),
        ("two\r\nlines\rand\nmore", "two\nlines\nand\nmore"),
        ("bell\x07 null\x00 escape\x1b", "bell null escape"),
        ("delete\x7f, next line\x85", "delete, next line"),
        ("lone \udcff surrogate, \ufffe no character", "lone  surrogate,  no character"),
        ("emoji 😀, accents é", "emoji 😀, accents é"),
        (38.1, "38.1"),
        (True, "true"),
        (date(2024, 7, 14), "2024-07-14"),
        (datetime(2024, 7, 14, 9, 30), "2024-07-14T09:30:00"),
        (["a", 1], '["a", 1]'),
        ({"on": date(2024, 7, 14)}, '{"on": "2024-07-14"}'),
    ],
)
def test_values_become_clean_text(value, text):
    assert clean_text(value) == text


@given(st.text())
def test_clean_text_is_what_an_xml_parser_takes(text):
    # Python's expat parser stands for the Char production of XML 1.0.
    element = ET.Element("text")
    element.text = clean_text(text)
    assert (ET.fromstring(ET.tostring(element)).text or "") == clean_text(text)
    assert clean_text(clean_text(text)) == clean_text(text)


@pytest.mark.parametrize(
    ("written", "parsed"),
    [
        ("2024", "2024"),
        ("2024-07", "2024-07"),
        (" 2024-07-14 ", "2024-07-14"),
        ("2024-07-14T09:30", "2024-07-14T09:30"),
        ("2024-07-14 09:30:15", "2024-07-14T09:30:15"),
        ("summer of 2024", None),
        ("14.7.2024", None),
        ("2024-02-30", None),
        ("2024-13", None),
        ("0000", None),
        ("2024-07-14T25:00", None),
        ("2024T10:00", None),
        ("٢٠٢٤", None),
        ("", None),
        (None, None),
    ],
)
def test_dates_are_read_as_far_as_they_go(written, parsed):
    # ISO 16684-1:2019, 8.2.1.2: year alone, year and month, day, day and time.
    assert parsed_date(written) == parsed


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1)))
def test_every_day_is_read(moment):
    assert parsed_date(f"{moment:%Y-%m-%d}") == f"{moment:%Y-%m-%d}"
    assert parsed_date(moment.isoformat(timespec="seconds")) == f"{moment:%Y-%m-%dT%H:%M:%S}"


def test_shortened_cuts_texts_and_lists_and_nothing_else():
    long = FrameMetadata(
        title="t" * 50,
        keywords=("k" * 50,) * 50,
        batch={f"{n:03}" * 20: "v" * 50 for n in range(50)},
        iso=400,
        base_density=(0.2, 0.6, 0.9),
    )
    short = shortened(long, 10, 3)
    assert short.title == "t" * 10
    assert short.keywords == ("k" * 10,) * 3
    assert dict(short.batch) == {f"{n:03}" * 3 + "0": "v" * 10 for n in range(3)}
    assert (
        dataclasses.replace(short, title=long.title, keywords=long.keywords, batch=long.batch)
        == long
    )
    assert shortened(long, 1000, 1000) == long
