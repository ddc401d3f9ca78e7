from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.problem import ScanProblem
from pipeline.reading_table import PATCHES, SPOTS
from pipeline.readings import NOT_READ, date_text, read_readings

HEAD = "date,batch,strip,patch,red,green,blue\n"
IN_FIXTURE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


def readings(folder: Path, text: str):
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return read_readings(path)


def test_control_strips_an_aim_spots_and_a_wedge_in_one_file(tmp_path):
    read = readings(
        tmp_path,
        "date;batch;strip;patch;red;green;blue;log exposure\n"
        ";;aim;D-min;0,23;0,62;0,90;\n"
        ";;aim;base;0,22;0,60;0,88;\n"
        "17.05.2025;spring;2;LD;0,70;1,10;1,39;\n"
        "2025-05-03T18:30;spring;1;D min;0,24;0,63;0,91;\n"
        "2025-05-03T18:30;spring;1;HD;1,58;2,04;2,43;\n"
        "2025-05-03T18:30;spring;1;yellow;;;2,75;\n"
        ";;7;edge print;0,80;1,25;1,60;\n"
        ";;w;step 2;0,90;1,30;1,60;-1,0\n"
        ";;w;step 1;0,40;0,80;1,10;-2,0\n",
    )
    assert read.aim.d_min == (0.23, 0.62, 0.90)
    assert read.aim.ld == pytest.approx(NOT_READ, nan_ok=True)
    assert [(strip.strip, strip.date) for strip in read.controls] == [
        ("1", datetime(2025, 5, 3, 18, 30)),
        ("2", datetime(2025, 5, 17)),
    ]
    assert read.controls[0].hd == (1.58, 2.04, 2.43)
    assert read.controls[0].yellow == pytest.approx((np.nan, np.nan, 2.75), nan_ok=True)
    (spot,) = read.spots
    assert (spot.strip, spot.place, spot.density) == ("7", "edge-print", (0.80, 1.25, 1.60))
    assert [each.place for each in read.aim_spots] == ["base"]
    (wedge,) = read.wedges
    assert wedge.log_exposure.tolist() == [-2.0, -1.0]
    assert wedge.density.tolist() == [[0.40, 0.80, 1.10], [0.90, 1.30, 1.60]]


def test_the_density_of_a_wedge_takes_its_exposure_away(tmp_path):
    """Exposure through a density D is 10^-D of that without (ISO 5-2, the definition of D)."""
    text = "patch,wedge density,density\nstep,0.05,1.9\nstep,3.05,0.3\nstep,1.55,1.0\n"
    (wedge,) = readings(tmp_path, text).wedges
    assert wedge.log_exposure.tolist() == [-3.05, -1.55, -0.05]
    assert wedge.density[:, 1].tolist() == [0.3, 1.0, 1.9]


def test_readings_of_one_patch_are_averaged(tmp_path):
    rows = ",,1,ld,0.70,1.10,1.40\n,,1,ld,0.72,,1.42\n"
    (strip,) = readings(tmp_path, HEAD + rows).controls
    assert strip.ld == pytest.approx((0.71, 1.10, 1.41))


def test_without_dates_strips_stand_as_in_the_file_and_with_them_2_comes_before_10(tmp_path):
    rows = ",,10,ld,0.7,1.1,1.4\n,,2,ld,0.7,1.1,1.4\n"
    assert [s.strip for s in readings(tmp_path, HEAD + rows).controls] == ["10", "2"]
    dated = rows.replace(",,", "2025-05-03,,")
    assert [s.strip for s in readings(tmp_path, HEAD + dated).controls] == ["2", "10"]


def test_kind_tells_what_a_patch_alone_does_not(tmp_path):
    text = "kind,strip,patch,density\nreference,a,ld,0.7\nspot,b,d-min,0.2\nWedge,w,7,0.5\n"
    with pytest.raises(ScanProblem, match="line 4 is a step without its exposure"):
        readings(tmp_path, text)
    read = readings(tmp_path, text.rsplit("Wedge", 1)[0])
    assert read.aim.ld == (0.7, 0.7, 0.7)
    assert read.spots[0].place == "base"


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (",,1,ld,nan,1,1", "line 2 has 'nan' in column 'red', which is no number"),
        (",,1,ld,inf,1,1", "which is no number; write it as 0.65"),
        (",,1,ld,1_0,1,1", "which is no number"),
        (",,1,ld,٣,1,1", "which is no number"),
        (",,1,ld,1.2.3,1,1", "which is no number"),
        (",,1,ld,-0.2,1,1", "has '-0.2' in column 'red', outside 0 to 5"),
        (",,1,ld,\N{MINUS SIGN}0.2,1,1", "outside 0 to 5; read it again"),
        (",,1,ld,65,1,1", "has '65' in column 'red', outside 0 to 5"),
        (",,1,ld,1e9,1,1", "outside 0 to 5"),
        (",,1,ld,,,", "line 2 has no density"),
        (",,1,,1,1,1", "names no patch; write one of d-min, ld, hd, d-max, yellow, step, base"),
        (",,1,sky,1,1,1", "has the patch 'sky'"),
        ("03/04/2025,,1,ld,1,1,1", "has '03/04/2025' in column 'date', which is no date"),
        ("31.02.2025,,1,ld,1,1,1", "which is no date; write it as 2025-05-17"),
        ("0025-05-17,,1,ld,1,1,1", "which is no date"),
        (",,w,step 1,1,1,1", "is a step without its exposure; add a column log_exposure"),
        (",,1,ld,1,1,1\n2025-05-03,,2,ld,1,1,1", "line 2 has no date though other strips have"),
        (",,1,hd,0.7,1,1\n,,1,ld,1.5,1.8,1.9", "line 2 makes hd of strip '1' thinner than its ld"),
        (",,1,ld,0.2,,\n,,1,d-min,0.7,,", "line 2 makes ld of strip '1' thinner than its d-min"),
        (",,1,ld,0.7,1,1\n,,1,ld,0.8,1,1", "line 3 reads patch ld of strip '1' again, 0.10 apart"),
    ],
)
def test_slips_name_file_line_and_what_to_do(row, told, tmp_path):
    with pytest.raises(ScanProblem) as raised:
        readings(tmp_path, HEAD + row + "\n")
    assert told in str(raised.value)
    assert str(raised.value).startswith(f"{tmp_path / 'readings.csv'}: line ")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("strip,red,green\n1,1,1\n", "has no column 'patch'"),
        ("strip,patch\n1,ld\n", "has no column 'red', 'green' or 'blue'"),
        (HEAD, "holds no readings"),
        ("kind,patch,red\nlamp,ld,1\n", "has the kind 'lamp'; write aim, control, step, spot"),
        ("patch,log h,red\nstep,-1,1\n", "is the only step of its wedge"),
    ],
)
def test_tables_that_tell_too_little_are_refused(text, told, tmp_path):
    with pytest.raises(ScanProblem, match=told):
        readings(tmp_path, text)


# Nearly alike, so that no patch is thinner than one of less exposure.
DENSITY = st.integers(50, 54).map(lambda value: value / 100)
ROWS = st.lists(
    st.tuples(st.integers(1, 28), st.integers(1, 12), st.sampled_from([*PATCHES, *SPOTS]), DENSITY),
    unique_by=lambda row: row[:3],
    min_size=1,
    max_size=12,
)


@given(ROWS, st.randoms())
@IN_FIXTURE
def test_the_order_of_dated_rows_does_not_matter(tmp_path, rows, random):
    lines = [f"2025-05-{day:02},,{strip},{patch},{d},{d},{d}" for day, strip, patch, d in rows]
    first = readings(tmp_path, HEAD + "\n".join(lines))
    random.shuffle(lines)
    again = readings(tmp_path, HEAD + "\n".join(lines))
    assert repr(first.controls) == repr(again.controls)
    assert sorted(map(repr, first.spots)) == sorted(map(repr, again.spots))


CELL = st.one_of(
    st.text(max_size=6),
    st.sampled_from(["ld", "step", "aim", "0.5", "1,2", "2025-05-03", "nan", "", "-1", "1e400"]),
)


@given(st.lists(st.lists(CELL, max_size=8), max_size=6), st.sampled_from(",;\t"))
@IN_FIXTURE
def test_any_cells_give_readings_or_one_sentence(tmp_path, rows, delimiter):
    head = "date batch strip patch kind red blue log_exposure".replace(" ", delimiter)
    text = "\n".join([head, *(delimiter.join(row) for row in rows)])
    path = tmp_path / "readings.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        read = read_readings(path)
    except ScanProblem as problem:
        assert "\n" not in str(problem)  # noqa: PT017
        return
    for strip in read.controls:
        known = [value for patch in PATCHES for value in getattr(strip, patch.replace("-", "_"))]
        assert all(np.isnan(value) or 0.0 <= value <= 5.0 for value in known)


def test_dates_are_told_without_midnight():
    assert date_text(datetime(2025, 5, 3)) == "2025-05-03"
    assert date_text(datetime(2025, 5, 3, 18, 30)) == "2025-05-03 18:30"


def test_unused_columns_are_said(tmp_path):
    read = readings(tmp_path, "patch,strip,red,weather\nld,1,0.7,rain\n")
    assert read.notes == ("Columns not used: 'weather'.",)
