"""The roll record against tests/data/roll.schema.json and Python's own JSON reader."""

import json
import math
import tracemalloc
from dataclasses import fields, replace
from datetime import date, datetime
from functools import reduce
from operator import getitem
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from pipeline import __version__
from pipeline.problem import ScanProblem
from pipeline.record.document import read_document, to_document, to_json
from pipeline.record.record import (
    BaseRecord,
    ChannelSpread,
    ColourRecord,
    ContrastRecord,
    DensityRecord,
    EdgeCodeRecord,
    FilesRecord,
    Finding,
    FrameRecord,
    PatchRecord,
    RollDensities,
    RollRecord,
    ScanTrouble,
    StripDensities,
    StripRecord,
)
from tests.roll_schema import DEFINED, SCHEMA, broken

THREE = (0.1, 0.2, 0.3)
BOX = ((0.0, 0.0), (9.0, 0.0), (9.0, 5.0), (0.0, 5.0))
FRAME = FrameRecord(
    "11", "edge", "picture", BOX, 0.97,
    FilesRecord("r_11.tif", "r_11.jpg", "r_11.xmp"), DensityRecord(THREE, THREE, THREE),
)  # fmt: skip
STRIP = StripRecord(
    "s.tif", 0, 1600.0, "tag", "135", BOX, 0.31, False, BaseRecord(THREE, True, THREE, 120.0),
    (EdgeCodeRecord("115-4/11A", 1234.0, 80.0),), (FRAME, FRAME),
)  # fmt: skip


def record(**roll: object) -> RollRecord:
    return RollRecord(
        roll={"id": "summer"} | roll,
        profile="generic",
        look="print",
        colour=ColourRecord(THREE, THREE, "roll"),
        strips=(STRIP, STRIP),
        densities=RollDensities(THREE, THREE, None, None),
        findings=(Finding("normal", "note", 0.9, "Evidence.", "Advice."),),
        problems=(
            ScanTrouble("t.tif", "is broken"),
            ScanTrouble("u.tif", "is taken as linear", "note"),
        ),
    )


FRAME_KEYS = DEFINED["frame"]["required"]


def in_order(document: Any, schema: dict[str, Any]) -> bool:
    """Return whether all tables of a document have what is required, in the schema's order."""
    schema = DEFINED[schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema
    if isinstance(document, list):
        return all(in_order(each, schema.get("items", {})) for each in document)
    if not isinstance(document, dict):
        return True
    known = schema.get("properties", {})
    return list(document)[: len(schema.get("required", ()))] == schema.get("required", []) and all(
        in_order(value, known.get(name, {})) for name, value in document.items()
    )


def test_document_keeps_to_the_schema_and_its_order():
    document = json.loads(to_json(record()))
    strip = document["strips"][0]
    assert broken(document) == []
    assert in_order(document, SCHEMA)
    assert document["evenroll"] == __version__
    assert document["problems"] == [
        {"scan": "t.tif", "message": "is broken"},
        {"scan": "u.tif", "message": "is taken as linear"},
    ]
    assert strip["outline"] == [[0.0, 0.0], [9.0, 0.0], [9.0, 5.0], [0.0, 5.0]]
    assert document["densities"]["contrast"] is None


def test_a_corrected_frame_tells_more_and_only_such_a_one():
    frames = (replace(FRAME, corrected=True, found_as="12"), FRAME)
    strips = (replace(STRIP, frames=frames),)
    corrected, plain = to_document(replace(record(), strips=strips))["strips"][0]["frames"]
    assert broken(to_document(replace(record(), strips=strips))) == []
    assert list(corrected) == [*FRAME_KEYS, "corrected", "found_as"]
    assert (corrected["corrected"], corrected["found_as"]) == (True, "12")
    assert list(plain) == FRAME_KEYS


def test_a_strip_names_its_scanner_only_where_its_scan_does():
    told = replace(record(), strips=(STRIP, replace(STRIP, device="Lampwright 2")))
    document = to_document(told)
    assert not broken(document)
    assert "device" not in document["strips"][0]
    assert document["strips"][1]["device"] == "Lampwright 2"


def test_frames_come_in_film_order():
    assert record().frames() == (FRAME,) * 4


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text()
    | st.dates() | st.datetimes() | st.binary(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


AS_WRITTEN: dict[str, Any] = {"ensure_ascii": False, "indent": 1, "allow_nan": False}


@pytest.mark.parametrize("strips", [(), (STRIP,), (STRIP, replace(STRIP, scan='\n "strips": []'))])
def test_text_put_together_strip_by_strip_is_that_of_the_document(strips):
    told = replace(record(strips=[], odd={"strips": []}), strips=strips)
    assert to_json(told) == json.dumps(to_document(told), **AS_WRITTEN) + "\n"


def test_the_document_of_a_long_roll_is_never_held_as_a_whole():
    told = replace(record(), strips=(STRIP,) * 300)
    tracemalloc.start()
    try:
        text = to_json(told)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # Parts, and the text made of them; the document takes thirteen times its text.
    assert most < 4 * len(text)


@given(VALUES)
def test_any_note_becomes_strict_json_of_the_same_bytes(value):
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    text = to_json(record(note=value))
    assert to_json(record(note=value)) == text
    assert text == json.dumps(to_document(record(note=value)), **AS_WRITTEN) + "\n"
    assert json.loads(text.encode("utf-8"), parse_constant=refuse)["roll"]["id"] == "summer"


@given(st.floats(-1e6, 1e6))
def test_numbers_keep_six_decimals(value):
    told = to_document(record(note=value))["roll"]["note"]
    assert abs(told - value) <= 0.5e-6 * (1 + 1e-6) + abs(value) * 1e-15
    assert math.copysign(1.0, told) == 1.0 or told < 0


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (math.nan, None), (-math.inf, None), (-0.0, 0.0), (True, True),
        (date(2024, 7, 14), "2024-07-14"), (datetime(2024, 7, 14, 9), "2024-07-14T09:00:00"),
        (np.float32(0.5), 0.5), (np.float64(math.nan), None), (np.int64(3), 3),
        (np.bool_(False), False), (np.arange(3), [0, 1, 2]), (Path("a.tif"), "a.tif"),
        ({1: (2, 3)}, {"1": [2, 3]}),
    ],
)  # fmt: skip
def test_what_json_has_no_word_for_is_written_plainly(value, told):
    shown = to_document(record(note=value))["roll"]["note"]
    assert shown == told
    assert type(shown) is type(told)


def test_file_name_that_is_no_unicode_does_not_stop_the_record():
    text = to_json(record(note="strip\udce9.tif"))
    assert json.loads(text.encode("utf-8"))["roll"]["note"] == "strip?.tif"


def test_record_is_read_back(tmp_path):
    path = tmp_path / "roll.json"
    path.write_text(to_json(record()), encoding="utf-8")
    assert read_document(path) == to_document(record())


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"1", b"\xff", b'{"schema": 2}', b'{"schema": null}', b"[" * 100000],
)
def test_what_is_no_record_is_refused_by_name(tmp_path, content):
    path = tmp_path / "roll.json"
    path.write_bytes(content)
    with pytest.raises(ScanProblem, match=r"roll\.json: .*roll record"):
        read_document(path)


def test_missing_record_is_told(tmp_path):
    with pytest.raises(ScanProblem, match=r"finished run"):
        read_document(tmp_path / "roll.json")


def test_densities_hold_only_what_says_something():
    plain = to_document(record())
    assert set(plain["densities"]) == {"base", "range", "contrast", "edge_print"}
    assert "densities" not in plain["strips"][0]
    patch = PatchRecord(THREE, THREE, "codes")
    strip = replace(STRIP, densities=StripDensities(THREE, edge_print=patch))
    told = RollDensities(THREE, THREE, None, THREE, d_max=patch, trust=("A sentence.",))
    full = to_document(replace(record(), strips=(strip,), densities=told))
    assert broken(full) == []
    assert full["strips"][0]["densities"] == {
        "base_error": [0.1, 0.2, 0.3],
        "edge_print": {"density": [0.1, 0.2, 0.3], "error": [0.1, 0.2, 0.3], "how": "codes"},
    }
    assert full["densities"]["contrast"] is None
    assert full["densities"]["dmax"]["how"] == "codes"
    assert full["densities"]["trust"] == ["A sentence."]


@pytest.mark.parametrize(
    ("kind", "schema", "untold"),
    [
        (RollRecord, SCHEMA, set()),
        (ScanTrouble, SCHEMA["properties"]["problems"]["items"], {"kind"}),
        (ColourRecord, SCHEMA["properties"]["colour"], {"doubt_log_e", "cast"}),
        (StripRecord, DEFINED["strip"], set()),
        (EdgeCodeRecord, DEFINED["strip"]["properties"]["edge_codes"]["items"], set()),
        (BaseRecord, DEFINED["base"], set()),
        (FrameRecord, DEFINED["frame"], set()),
        (FilesRecord, DEFINED["frame"]["properties"]["files"], set()),
        (DensityRecord, DEFINED["frame"]["properties"]["density"], set()),
        (PatchRecord, DEFINED["patch"], set()),
        (StripDensities, DEFINED["strip_densities"], set()),
        (RollDensities, DEFINED["roll_densities"], set()),
        (ChannelSpread, DEFINED["roll_densities"]["properties"]["channel_spread"], set()),
        (ContrastRecord, DEFINED["roll_densities"]["properties"]["contrast_estimate"], set()),
        (Finding, DEFINED["finding"], set()),
    ],
)
def test_schema_names_all_that_may_be_written(kind, schema, untold):
    names = {field.name for field in fields(kind)} - untold
    # What these are called in the promised file.
    other = {"slopes": "gamma", "d_max": "dmax"}
    assert set(schema["properties"]) == {other.get(name, name) for name in names}


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("schema",), 2), (("look",), "sepia"), (("extra",), 1),
        (("colour", "how"), "guess"), (("colour", "gamma"), [1.0, 1.0]),
        (("strips", 0, "format"), "136"), (("strips", 0, "ppi_from"), None),
        (("strips", 0, "base", "density"), [0.1, None, 0.3]),
        (("strips", 0, "frames", 0, "kind"), "dark"), (("strips", 0, "frames", 0, "number"), 11),
        (("strips", 0, "frames", 0, "confidence"), 1.2),
        (("strips", 0, "frames", 0, "outline"), [[0, 0]] * 3),
        (("findings", 0, "code"), "fine"), (("findings", 0, "severity"), "bad"),
        (("problems", 0, "kind"), "note"),
    ],
)  # fmt: skip
def test_schema_refuses_what_readers_could_not_rely_on(place, value):
    document = to_document(record())
    reduce(getitem, place[:-1], document)[place[-1]] = value
    assert len(broken(document)) == 1


def test_schema_misses_what_is_not_there():
    tables = ((), ("colour",), ("strips", 0), ("strips", 0, "base"), ("strips", 0, "frames", 0))
    for place in (*tables, ("densities",), ("findings", 0)):
        for name in list(reduce(getitem, place, to_document(record()))):
            document = to_document(record())
            del reduce(getitem, place, document)[name]
            assert len(broken(document)) == 1, (place, name)


def test_schema_is_a_schema():
    Draft202012Validator.check_schema(SCHEMA)
