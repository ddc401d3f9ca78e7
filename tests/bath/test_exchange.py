import csv
import io
import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bath.batch import Batch, Use
from pipeline.bath.exchange import CSV_COLUMNS, csv_text, entries_of_roll, read_csv
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.record.document import to_json
from pipeline.record.record import RollDensities
from tests.bath.test_batch import BATCHES, USES
from tests.report.test_contact_sheet import made_roll

HEAD = ",".join(CSV_COLUMNS)
BATCH = {"name": "spring kit", "mixed": "2025-05-03", "rolls_before": 5, "temperature_c": 38.0}
ROLL = {"id": "sarrow-07", "film": "colour negative 200", "developed": "2025-05-24"}
DENSITIES = {
    "base": [0.21, 0.63, 0.88], "range": [1.5, 1.6, 1.7], "contrast": None,
    "edge_print": [0.7, 0.8, 0.9],
}  # fmt: skip


def read_back(content: bytes) -> list[Batch | Use]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(content)
        return [entry for _, entry in read_csv(path)]


def by_name(entry: Batch | Use) -> tuple[str, ...]:
    return (entry.name,) if isinstance(entry, Batch) else (entry.batch, entry.roll)


@given(
    st.lists(BATCHES, max_size=4, unique_by=by_name), st.lists(USES, max_size=4, unique_by=by_name)
)
def test_what_is_exported_reads_back_the_same(batches: list[Batch], uses: list[Use]):
    text = csv_text([*uses, *batches])
    assert read_back(text.encode()) == [*batches, *uses]
    assert csv_text(read_back(text.encode())) == text
    # The standard library's reader stands for other programs.
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["kind"] for row in rows] == ["batch"] * len(batches) + ["roll"] * len(uses)


def test_a_spreadsheets_way_of_writing_is_read():
    text = (
        "\ufeffkind;batch;roll;mixed;time_s;edge_print_red;edge_print_green;edge_print_blue;notes\n"
        "Batch;spring;;2025-05-03;3:15;;;;a, b\n\n"
        "roll;spring;7;;195,5;0,7;0,8;0,9;\n"
    )
    batch, use = read_back(text.encode())
    assert batch == Batch("spring", mixed=date(2025, 5, 3), time_s=195.0, notes="a, b")
    assert use == Use("spring", "7", time_s=195.5, edge_print=(0.7, 0.8, 0.9))


def test_the_same_line_twice_counts_once():
    text = "kind,batch,roll\nroll,spring,1\nroll,spring,1\n"
    assert read_back(text.encode()) == [Use("spring", "1")]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "line 1: the columns 'kind' and 'batch' are missing"),
        ("a,b\n1,2\n", "line 1: the columns"),
        ("kind,batch,colour\n", "line 1: column 'colour' is not known"),
        ("kind,batch,batch\n", "line 1: column 'batch' is there twice"),
        ("kind,batch\nbath,spring\n", "line 2: 'kind' is 'bath'"),
        ("kind,batch,film\nbatch,spring,200\n", "line 2: a batch has no 'film'"),
        ("kind,batch,life_rolls\nroll,spring,16\n", "line 2: a roll has no 'life_rolls'"),
        ("kind,batch\nbatch,\n", "line 2: 'name' is missing"),
        ("kind,batch,roll\nroll,spring,\n", "line 2: 'roll' is missing"),
        ("kind,batch,mixed\nbatch,a,\n\nbatch,b,soon\n", "line 4: 'mixed' is 'soon'"),
        ('kind,batch,notes\nbatch,a,"x\ny"\nbatch,b,,,\n', "line 4: has more values"),
        ('kind,batch\nbatch,"a"b\n', "line 2: is no CSV"),
        ("kind,batch,volume_ml\nbatch,a,500\nbatch,a,600\n", "line 3: says otherwise of 'a' than"),
        (
            "kind,batch,edge_print_red,roll\nroll,a,0.7,1\n",
            "line 2: 'edge_print' is (0.7, None, None); give three numbers",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path: Path, text: str, told: str):
    path = tmp_path / "log.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(SettingsProblem) as raised:
        read_csv(path)
    assert told in str(raised.value)
    assert str(raised.value).startswith(f"{path}: ")
    assert "\n" not in str(raised.value)


def test_files_that_are_no_text_are_told(tmp_path: Path):
    with pytest.raises(SettingsProblem, match="can't be read"):
        read_csv(tmp_path / "none.csv")
    (tmp_path / "latin.csv").write_bytes(b"kind,batch\nbatch,fr\xfchling\n")
    with pytest.raises(SettingsProblem, match="no text in UTF-8"):
        read_csv(tmp_path / "latin.csv")


@given(
    st.lists(st.binary(max_size=20) | st.sampled_from([b"kind", b"batch", b",", b'"', b"\n"]))
    | st.lists(st.sampled_from([*HEAD, "batch", "roll", ",", "\n", '"', "1"])).map(
        lambda parts: [HEAD.encode(), b"\n", "".join(parts).encode()]
    )
)
@settings(max_examples=200)
def test_any_file_gives_entries_or_one_sentence(parts: list[bytes]):
    try:
        entries = read_back(b"".join(parts))
    except SettingsProblem as problem:
        told = str(problem)
    else:
        told = "."
        assert all(isinstance(entry, (Batch, Use)) for entry in entries)
    assert told.endswith(".")


def written(folder: Path, batch: Any = BATCH, densities: Any = DENSITIES, **roll: Any) -> Path:
    path = folder / "roll.json"
    document = {"schema": 1, "roll": {**ROLL, **roll, "batch": batch}, "densities": densities}
    path.write_text(json.dumps(document), "utf-8")
    return path


def test_a_roll_tells_its_batch_and_what_was_measured(tmp_path: Path):
    path = written(tmp_path)
    expected = (
        Batch("spring kit", mixed=date(2025, 5, 3)),
        Use(
            "spring kit", "sarrow-07", developed=date(2025, 5, 24), film="colour negative 200",
            rolls_before=5.0, temperature_c=38.0, edge_print=(0.7, 0.8, 0.9),
            base=(0.21, 0.63, 0.88), source=str(path),
        ),
    )  # fmt: skip
    assert entries_of_roll(path) == expected
    assert entries_of_roll(tmp_path) == expected


def test_a_batch_may_tell_more_and_what_is_not_ours_is_passed_over(tmp_path: Path):
    noted = {
        **BATCH,
        "life_rolls": 16,
        "time_s": 200,
        "rolls": 0.5,
        "shelf": "left",
        "volume_ml": 600,
    }
    batch, use = entries_of_roll(written(tmp_path, noted, None))
    assert (batch.life_rolls, batch.volume_ml, batch.time_s) == (16.0, 600.0, None)
    assert (use.time_s, use.rolls, use.edge_print) == (200.0, 0.5, None)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"batch": {}}, "names no batch of chemistry"),
        ({"batch": "spring"}, "names no batch of chemistry"),
        ({"batch": {"name": " "}}, "names no batch of chemistry"),
        ({"batch": {**BATCH, "mixed": "soon"}}, "'mixed' is 'soon'; correct roll.toml"),
        ({"batch": {**BATCH, "rolls_before": "five"}}, "'rolls_before' is 'five'"),
        ({"batch": {**BATCH, "name": ["x"]}}, "'name' is"),
        ({"densities": {"edge_print": [0.7, "x", 0.9]}}, "'edge_print' is (0.7, 'x', 0.9)"),
        ({"id": None}, "'roll' is missing"),
    ],
)
def test_what_makes_no_sense_is_told_with_the_file(tmp_path: Path, changes: dict, told: str):
    path = written(tmp_path, **changes)
    with pytest.raises(ScanProblem) as raised:
        entries_of_roll(path)
    assert str(raised.value).startswith(f"{path}: ")
    assert told in str(raised.value)


def test_a_film_without_a_name_goes_by_its_edge_code_and_a_base_by_full_scale_is_not_noted(
    tmp_path: Path,
):
    def read(roll: dict, absolute: bool):
        strip = {"edge_codes": [{"text": "115-10/11A"}], "base": {"absolute": absolute}}
        document = {"schema": 1, "roll": {**roll, "batch": BATCH}, "densities": DENSITIES}
        text = json.dumps(
            {**document, "strips": [strip, {"edge_codes": [3, {}]}, {"edge_codes": 3}, None]}
        )
        (tmp_path / "roll.json").write_text(text, "utf-8")
        return entries_of_roll(tmp_path)[1]

    assert (read({"id": "7"}, True).film, read(ROLL, True).film) == ("115-10", ROLL["film"])
    assert read(ROLL, True).base == (0.21, 0.63, 0.88)
    assert read(ROLL, False).base is None
    assert read(ROLL, False).edge_print == (0.7, 0.8, 0.9)


def test_what_is_no_roll_record_is_told(tmp_path: Path):
    with pytest.raises(ScanProblem, match="is not there; name the roll"):
        entries_of_roll(tmp_path)
    (tmp_path / "roll.json").write_text('{"schema": 1, "roll": [], "densities": 3}', "utf-8")
    with pytest.raises(ScanProblem, match="names no batch"):
        entries_of_roll(tmp_path)


def test_the_record_of_a_run_is_read(tmp_path: Path):
    """As `convert` writes it: dates of TOML among the notes, rounded densities."""
    batch = {"name": "spring kit", "mixed": date(2025, 5, 3), "rolls_before": 5}
    densities = RollDensities((0.2, 0.6, 0.9), None, (0.61, 0.62, 0.66), (0.7, 0.8, 0.1 + 0.7))
    record = replace(made_roll([1]), roll={"id": "7", "batch": batch}, densities=densities)
    (tmp_path / "roll.json").write_text(to_json(record), "utf-8")
    found, use = entries_of_roll(tmp_path)
    assert found == Batch("spring kit", mixed=date(2025, 5, 3))
    assert (use.rolls_before, use.contrast) == (5.0, (0.61, 0.62, 0.66))
    assert use.edge_print == (0.7, 0.8, 0.8)
