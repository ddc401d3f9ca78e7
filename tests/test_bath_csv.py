import csv
import io
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bath import Batch, Use
from pipeline.bath_csv import CSV_COLUMNS, csv_text, read_csv
from pipeline.problem import SettingsProblem
from tests.test_bath import BATCHES, USES

HEAD = ",".join(CSV_COLUMNS)


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
