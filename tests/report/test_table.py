"""The table of densities against the record it shows, and against wcwidth's widths of text."""

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from wcwidth import wcswidth

from pipeline.control.finding import triple_text
from pipeline.kinds import CHANNELS
from pipeline.record.document import plain
from pipeline.record.record import ContrastRecord, PatchRecord, RollDensities
from pipeline.report import table
from pipeline.report.table import measure_csv, measure_table
from pipeline.report.words import figure_text, share_text, signed_text
from pipeline.words import percent
from tests.report.test_contact_sheet import made_roll
from tests.report.test_roll_page import roll_of_38

THREE = (0.5, 0.6, 0.7)


def blocks_of(text):
    return [block.split("\n") for block in text.strip().split("\n\n")]


def test_all_figures_stand_in_aligned_columns():
    record = roll_of_38()
    names = ("日本.tif", "cafe\u0301.tif", "Küste.tif", *"abcd")
    strips = [replace(s, scan=name) for s, name in zip(record.strips, names, strict=True)]
    roll, base, patches, frames, trust = blocks_of(
        measure_table(replace(record, strips=tuple(strips)))
    )
    assert (len(base), len(patches), len(frames)) == (9, 9, 40)
    fields = [re.split(r"\s{2,}", line.strip()) for line in base[1:]]
    assert {len(row) for row in fields} == {20}
    assert fields[0][4:8] == ["ppi", "angle deg", "area mm2", "base"]
    assert [float(value) for value in fields[3][8:11]] == [0.25, 0.66, 0.91]
    assert [float(value) for value in fields[3][11:14]] == [0.001, 0.002, 0.003]
    # Widths in cells by wcwidth, an independent reading of Unicode Annex 11.
    assert len({wcswidth(line) for line in base[1:]}) == 1
    printed = re.split(r"\s{2,}", patches[2].strip())
    assert printed[1:8] == ["0.820", "0.900", "1.100", "0.010", "0.010", "0.020", "codes"]
    figures = [re.split(r"\s{2,}", line.strip()) for line in frames[2:]]
    expected = [[*f.density.min, *f.density.median, *f.density.max] for f in record.frames()]
    shown = [[float(v) for v in row[4:]] for row in figures]
    np.testing.assert_allclose(shown, expected, atol=0.0005)
    assert len({len(line) for line in frames[1:]}) == 1
    assert trust == ["How far to trust this:", "No scanner profile is named."]
    assert any(line.startswith("in the toe, under 0.13") for line in roll)


def test_a_roll_without_strips_has_a_table_of_heads():
    roll, *others = blocks_of(measure_table(made_roll([])))
    assert [len(block) for block in others] == [2, 2, 2]
    assert roll[2].split()[0] == "base"


def test_contrast_is_told_as_measured_or_as_a_guess():
    measured = RollDensities(
        THREE, THREE, THREE, None, contrast_error=(0.01,) * 3, contrast_how="wedge"
    )
    guessed = RollDensities(
        THREE, THREE, None, None, contrast_estimate=ContrastRecord(THREE, THREE, THREE, "pictures"),
        d_max=PatchRecord(THREE, THREE, "light-struck film", THREE),
    )  # fmt: skip
    told = measure_table(made_roll([1], densities=measured))
    assert "wedge" in told
    assert "a guess" not in told
    told = measure_table(made_roll([1], densities=guessed))
    assert re.search(r"contrast, a guess +0\.50 +0\.60 +0\.70 +pictures", told)
    assert re.search(r"  Status M +0\.500 +0\.600 +0\.700 +scanner profile", told)


def test_csv_has_a_line_a_frame_with_its_figures():
    record = roll_of_38()
    strips = (replace(record.strips[0], scan="=cmd,.tif"), *record.strips[1:])
    text = measure_csv(replace(record, strips=strips))
    rows = list(csv.DictReader(io.StringIO(text)))
    frames = list(record.frames())
    assert [row["frame"] for row in rows] == [frame.number for frame in frames]
    assert rows[0]["scan"] == "'=cmd,.tif"
    for row, frame in zip(rows, frames, strict=True):
        told = [float(row[f"{what}_{c}"]) for what in ("min", "median", "max") for c in CHANNELS]
        known = [*frame.density.min, *frame.density.median, *frame.density.max]
        np.testing.assert_allclose(told, known, atol=5e-5)
    assert measure_csv(record, head=False) in measure_csv(record)


@given(st.floats(-0.02, 0.02), st.integers(0, 4))
def test_nothing_that_is_shown_is_minus_nought(value: float, decimals: int):
    """Terminal, page, CSV and JSON alike; what is nought and negative has no sign that tells."""
    shown = [
        figure_text(value, decimals), signed_text(value, decimals), share_text(value),
        str(table._cell(value)), json.dumps(plain(value)), percent(value),
        *triple_text((value,) * 3).split(" / "), *triple_text((value,) * 3, False).split(" / "),
    ]  # fmt: skip
    assert not [text for text in shown if float(text.rstrip(" %")) == 0.0 and "-" in text]


def test_every_signed_figure_in_the_code_is_shown_without_minus_nought():
    pattern = re.compile(r"[{:]\+\.\d[fe]\b")
    for path in Path(table.__file__).parents[1].rglob("*.py"):
        assert not pattern.findall(path.read_text("utf-8")), path


def test_the_table_says_whose_roll_it_is_and_counts_pages_from_one():
    record = roll_of_38()
    strips = tuple(replace(strip, page=place) for place, strip in enumerate(record.strips))
    record = replace(record, strips=strips)
    roll, base, *_ = blocks_of(measure_table(record))
    assert roll[0].startswith(f"Roll {record.roll['id']}, density")
    pages = [str(place) for place, strip in enumerate(strips, start=1)]
    assert [re.split(r"\s{2,}", line.strip())[2] for line in base[2:]] == pages
    rows = csv.DictReader(io.StringIO(measure_csv(record)))
    assert [each["page"] for each in rows] == [str(s.page + 1) for s in strips for _ in s.frames]
