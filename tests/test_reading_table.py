import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.problem import ScanProblem
from pipeline.reading_table import MOST_BYTES, MOST_ROWS, column_word, read_table, shown

NAMES = {"strip": "strip", "patch": "patch", "red": "red", "r": "red"}
HEAD = "strip,patch,red\n"


def table(folder: Path, text: str | bytes):
    path = folder / "readings.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_table(path, NAMES)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_however_a_spreadsheet_writes_it(delimiter, ending, encoding, tmp_path):
    lines = ["Strip,Patch,Red", "1é,ld,0.65", "", "2,hd,1.20"]
    text = ending.join(lines).replace(",", delimiter)
    read = table(tmp_path, text.encode(encoding))
    assert read.columns == ("strip", "patch", "red")
    assert [row.line for row in read.rows] == [2, 4]
    assert read.rows[0].cells == {"strip": "1é", "patch": "ld", "red": "0.65"}


def test_comments_blank_lines_and_sep_are_passed_over_and_lines_still_count(tmp_path):
    text = "sep=;\n# read by hand\n\nstrip;patch;red\n# first\n ; ;\n1;ld;0,65\n"
    (row,) = table(tmp_path, text).rows
    assert (row.line, row.cells["red"]) == (7, "0,65")


def test_unknown_columns_are_named_and_short_rows_filled(tmp_path):
    read = table(tmp_path, "strip,colour of the cat,red\n1,black,0.5\n2\n")
    assert read.unused == ("colour_of_the_cat",)
    assert read.rows[1].cells == {"strip": "2", "red": ""}


def test_a_row_over_several_lines_is_named_by_its_first(tmp_path):
    read = table(tmp_path, 'strip,patch,red\n"a\nb",ld,0.5\n2,hd,1.0\n')
    assert [row.line for row in read.rows] == [2, 4]
    assert read.rows[0].cells["strip"] == "a\nb"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no readings; give a head row"),
        ("# nothing\n\n", "holds no readings"),
        ("1,ld,0.5\n2,hd,1\n", "line 1 names no column that is known, but '1,ld,0.5'"),
        ("strip,red,r\n1,0.5,0.5\n", "line 1 names the column 'red' more than once"),
        (HEAD + "1,ld,0,65\n", "line 2 has 4 cells where the head has 3; put quotation marks"),
        (HEAD + '1,"ld,0.5\n2,hd,1\n', "line 2 can't be read as CSV"),
        (b"PK\x03\x04\0\0", "is no text; save the readings as CSV, not as a spreadsheet"),
        (b"strip,patch\x81\n", "is no text"),
    ],
)
def test_what_is_no_table_is_told_in_one_sentence(text, told, tmp_path):
    with pytest.raises(ScanProblem) as raised:
        table(tmp_path, text)
    assert told in str(raised.value)
    assert str(raised.value).startswith(f"{tmp_path / 'readings.csv'}: ")
    assert "\n" not in str(raised.value)


def test_what_is_no_file_is_told(tmp_path):
    for path, told in ((tmp_path, "is a folder"), (tmp_path / "x.csv", "is not there")):
        with pytest.raises(ScanProblem, match=told):
            read_table(path, NAMES)


def test_absurd_files_are_refused_before_they_fill_the_memory(tmp_path):
    with pytest.raises(ScanProblem, match="larger than 4 MiB"):
        table(tmp_path, b"x" * (MOST_BYTES + 1))
    with pytest.raises(ScanProblem, match=f"over {MOST_ROWS} rows"):
        table(tmp_path, HEAD + "1,ld,0.5\n" * (MOST_ROWS + 1))
    assert len(table(tmp_path, HEAD + "1,ld,0.5\n" * MOST_ROWS).rows) == MOST_ROWS


PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1)


@given(st.lists(st.tuples(PLAIN, PLAIN, PLAIN), min_size=1, max_size=8), st.sampled_from(",;\t"))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_python_s_csv_module_writes_is_read_back(tmp_path, rows, delimiter):
    """The writer of the standard library is the reference for quoting."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, quoting=csv.QUOTE_ALL)
    writer.writerows([("strip", "patch", "red"), *rows])
    read = table(tmp_path, text.getvalue())
    assert [tuple(row.cells.values()) for row in read.rows] == rows


@given(st.binary(max_size=400))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_give_a_table_or_one_sentence(tmp_path, data):
    try:
        table(tmp_path, data)
    except ScanProblem as problem:
        assert "\n" not in str(problem)  # noqa: PT017


def test_heads_have_one_form():
    assert column_word("Log Exposure (lx s)") == column_word(" log-exposure ") == "log_exposure"
    assert shown("a" * 99) == repr("a" * 40 + "...")
    assert shown("a\x1b[2J") == "'a [2J'"
