"""Corrections in roll.toml: what is refused, and what a run makes of them on model strips."""

import json
import shutil
import tomllib
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from pipeline.kinds import KINDS
from pipeline.problem import SettingsProblem
from pipeline.roll.survey import survey_roll
from pipeline.settings.correction import FrameCorrection, read_corrections
from pipeline.settings.settings import Roll as TakenRoll
from pipeline.settings.settings import RollNotes, Settings
from pipeline.survey.scan import survey_scan
from tests.conftest import Run, states
from tests.film_model import FrameSpec, Roll, Scene, StripSpec, make_scan, write_scan

WHERE = Path("roll.toml")
MM_PER_INCH = 25.4


def test_every_kind_of_entry_is_read():
    told = read_corrections(
        [
            {"number": 7, "left_mm": 1, "right_mm": -0.5, "move_mm": 0.2, "turn_deg": 0.5},
            {"number": "12", "drop": True},
            {"number": "5", "merge_with": 6},
            {"number": "08B", "kind": "blank", "top_mm": 0.1, "bottom_mm": -0.1},
            {"number": "9a", "renumber": "10", "onward": True},
            {"add": True, "after": "08", "gap_mm": 1.5},
            {"add": "x", "before": "01"},
            {"add": True, "scan": "strip-2.tif", "at_mm": 12.5, "kind": "partial"},
            {"add": True, "strip": 3, "at_mm": 0},
        ],
        WHERE,
    )
    assert told == (
        FrameCorrection(1, "07", left_mm=1.0, right_mm=-0.5, move_mm=0.2, turn_deg=0.5),
        FrameCorrection(2, "12", drop=True),
        FrameCorrection(3, "05", merge_with=("06",)),
        FrameCorrection(4, "08b", kind="blank", top_mm=0.1, bottom_mm=-0.1),
        FrameCorrection(5, "09A", renumber="10", onward=True),
        FrameCorrection(6, add=True, after="08", gap_mm=1.5),
        FrameCorrection(7, add="X", before="01"),
        FrameCorrection(8, add=True, scan="strip-2.tif", at_mm=12.5, kind="partial"),
        FrameCorrection(9, add=True, strip=3, at_mm=0.0),
    )
    assert [entry.moves for entry in told] == [True, False, False, True, *[False] * 5]


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"left_mm": 1}, "names no frame"),
        ({"number": "07"}, "tells nothing about frame 07"),
        ({"number": "07", "left-mm": 1}, "key 'left-mm' is not known; write 'left_mm'"),
        ({"number": "07", "rihgt_mm": 1}, "write 'right_mm' if that is meant"),
        ({"number": "07", "colour": 1}, "key 'colour' is not known; the keys are number, left_mm"),
        ({"number": "7th", "drop": True}, "'number': '7th' is no frame number"),
        ({"number": 7.0, "drop": True}, "no frame number"),
        ({"number": True, "drop": True}, "no frame number"),
        ({"number": "../7", "drop": True}, "no frame number"),
        ({"number": "07", "renumber": "1000"}, "'renumber': '1000' is"),
        ({"number": "07", "left_mm": 40.1}, "give a number from -40 to 40"),
        ({"number": "07", "right_mm": -41}, "give a number from -40 to 40"),
        ({"number": "07", "left_mm": float("nan")}, "'left_mm' is nan; give a number"),
        ({"number": "07", "left_mm": "1"}, "'left_mm' is '1'; give a number"),
        ({"number": "07", "left_mm": True}, "'left_mm' is True; give a number"),
        ({"number": "07", "turn_deg": 20}, "give a number from -15 to 15"),
        ({"number": "07", "kind": "portrait"}, "choose one of picture, partial, blank, fogged"),
        ({"number": "07", "kind": ["blank"]}, "choose one of"),
        ({"number": "07", "drop": False}, "write true, or leave it out"),
        ({"number": "07", "drop": True, "left_mm": 1}, "'drop' and 'left_mm' contradict"),
        ({"number": "07", "merge_with": "7"}, "merges a frame with itself"),
        ({"number": "07", "merge_with": []}, "names no other frame"),
        ({"number": "07", "onward": True}, "write renumber beside it"),
        ({"number": "07", "after": "06"}, "only a frame to add has 'after'"),
        ({"add": True, "number": "07", "after": "06"}, 'give its number as add = "07"'),
        ({"add": True, "after": "06", "drop": True}, "a frame to add has no 'drop'"),
        ({"add": False, "after": "06"}, "no frame number"),
        ({"add": True}, "has no place to add a frame"),
        ({"add": True, "after": "06", "before": "07"}, "has places after and before"),
        ({"add": True, "after": "06", "strip": 1}, "'at_mm' and the strip go together"),
        ({"add": True, "at_mm": 3}, "'at_mm' and the strip go together"),
        ({"add": True, "at_mm": -1, "strip": 1}, "give a number from 0"),
        ({"add": True, "at_mm": 3, "strip": 0}, "counted from 1, as on the contact sheet"),
        ({"add": True, "at_mm": 3, "strip": True}, "counted from 1, as on the contact sheet"),
        ({"add": True, "at_mm": 3, "scan": " "}, "give the file's name"),
        ({"add": True, "at_mm": 3, "strip": 1, "gap_mm": 1}, "'gap_mm' and 'at_mm' contradict"),
    ],
)
def test_what_makes_no_sense_is_refused_by_file_and_entry(entry, told):
    with pytest.raises(SettingsProblem) as refused:
        read_corrections([{"number": "99", "drop": True}, entry], WHERE)
    assert str(refused.value).startswith("roll.toml: entry 2 of [[frames]]: ")
    assert told in str(refused.value)


@pytest.mark.parametrize("value", [3, {"number": "07"}, ["07"], [{"number": "1"}, 2], "07"])
def test_what_is_no_list_of_tables_is_refused(value):
    with pytest.raises(SettingsProblem, match="write each under a heading"):
        read_corrections(value, WHERE)


@pytest.mark.parametrize(
    "second", [{"number": 7, "drop": True}, {"number": "6", "merge_with": ["05", "07"]}]
)
def test_a_frame_has_one_entry(second):
    with pytest.raises(SettingsProblem, match=r"entry 2 .* frame 07 has an entry already"):
        read_corrections([{"number": "07", "left_mm": 1}, second], WHERE)


SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text("07AXb-. ", max_size=4)
VALUES = SCALARS | st.lists(SCALARS, max_size=2) | st.sampled_from(["07", "8", True, 1.5, *KINDS])
KEYS = st.sampled_from([
    "number", "left_mm", "turn_deg", "kind", "drop", "merge_with", "renumber", "onward", "add",
    "after", "before", "gap_mm", "scan", "strip", "at_mm", "other",
])  # fmt: skip


@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=4), max_size=3))
def test_any_entries_are_read_or_refused_in_one_sentence(entries):
    try:
        told = read_corrections(entries, WHERE)
    except SettingsProblem as problem:
        told, refused = (), str(problem)
    else:
        refused = ""
    assert refused.startswith("roll.toml: entry ") or len(told) == len(entries)
    assert all((entry.number is None) == bool(entry.add) for entry in told)


def corrected(folder: Path, out: Path, run: Run, text: str, *words: str) -> dict[str, dict]:
    """Return the frames of a run with these corrections, by number."""
    (folder / "roll.toml").write_text(text, encoding="utf-8")
    ran = run("convert", folder, "-o", out, *words)
    assert ran.code == 0, ran.err
    return frames_in(out)


def frames_in(out: Path) -> dict[str, dict]:
    record = json.loads((out / "roll.json").read_text("utf-8"))
    return {frame["number"]: frame for strip in record["strips"] for frame in strip["frames"]}


def changed_pictures(before: dict, after: dict) -> set[str]:
    """Return the numbers of the archive files that were written anew."""
    return {
        name.removeprefix("harbour_").removesuffix(".tif")
        for name in after
        if name.endswith(".tif") and before.get(name) != after[name]
    }


def width_mm(frame: dict, ppi: float = 160.0) -> float:
    corners = np.array(frame["outline"])
    return float(np.hypot(*(corners[1] - corners[0]))) / ppi * MM_PER_INCH


ENTRIES = {
    "move": ('number = "12"\nleft_mm = 0.5\nright_mm = -1.0', {"12"}, set()),
    "drop": ('number = "12"\ndrop = true', set(), {"12"}),
    "merge": ('number = "12"\nmerge_with = "13"', {"12"}, {"13"}),
    "blank-is-picture": ('number = "16"\nkind = "picture"', {"16"}, set()),
    "picture-is-blank": ('number = "12"\nkind = "blank"', set(), set()),
    "renumber": ('number = "17"\nrenumber = "18"', {"18"}, {"17"}),
    "onward": ('number = "14"\nrenumber = "24"\nonward = true', {"24", "25", "27"}, {"14", "15"}),
    "add": ('add = true\nafter = "12"\ngap_mm = -36.0', {"12b"}, set()),
    "exposure": ('number = "12"\nexposure = 0.5', {"12"}, set()),
    "neutral": ('number = "12"\nneutral = [0.5, 0.3]', {"12"}, set()),
    "add-on-strip": ('add = "30"\nscan = "strip-2.tif"\nat_mm = 50.0', {"30"}, set()),
}


@pytest.fixture
def out(converted: Path, tmp_path: Path) -> Path:
    """Return a copy of the output of a run without corrections, times and all."""
    return Path(shutil.copytree(converted, tmp_path / "out"))


@pytest.mark.parametrize("name", ENTRIES)
def test_a_rerun_obeys_and_writes_only_what_is_concerned(name, scans: Path, out: Path, run: Run):
    entry, written, gone = ENTRIES[name]
    plain, before = frames_in(out), states(out)
    frames = corrected(scans, out, run, f"[[frames]]\n{entry}\n")
    after = states(out)
    assert changed_pictures(before, after) == written
    assert not gone & set(frames)
    stand = {Path(file).stem for file in after if file.startswith("harbour_")}
    assert stand == {f"harbour_{n}" for n, frame in frames.items() if frame["kind"] != "blank"}
    for number in set(plain) & set(frames) - written - {"12"}:
        assert frames[number] == plain[number]


def test_numbers_mean_the_same_frames_from_run_to_run(scans: Path, out: Path, run: Run):
    plain, before = frames_in(out), states(out)
    entries = (ENTRIES[name][0] for name in ("onward", "add-on-strip", "drop", "blank-is-picture"))
    text = "".join(f"[[frames]]\n{entry}\n" for entry in entries)
    frames = corrected(scans, out, run, text)
    after = states(out)
    assert list(frames) == ["11", "13", "24", "25", "26", "30", "31"]
    assert [frames[number].get("found_as") for number in ("24", "26", "31")] == ["14", "16", "17"]
    assert corrected(scans, out, run, text) == frames
    assert states(out) == after
    # Without the entries all is as it was.
    assert corrected(scans, out, run, "") == plain
    assert set(states(out)) == set(before)


def test_the_record_tells_what_was_corrected(scans: Path, out: Path, run: Run):
    plain = frames_in(out)
    frames = corrected(
        scans,
        out,
        run,
        "[[frames]]\nnumber = 12\nleft_mm = -0.6\nright_mm = 1.0\n"
        '[[frames]]\nnumber = 13\nmerge_with = ["14"]\nrenumber = "33"\n'
        "[[frames]]\nnumber = 16\nkind = 'picture'\n",
    )
    assert {number for number in frames if "corrected" in frames[number]} == {"12", "33", "16"}
    assert all(frames[number]["confidence"] == 1.0 for number in ("12", "33", "16"))
    assert frames["33"]["number_from"] == "user"
    assert frames["33"]["found_as"] == "13"
    assert "found_as" not in frames["12"]
    assert width_mm(frames["12"]) == pytest.approx(width_mm(plain["12"]) + 1.6, abs=0.01)
    ends = np.array(plain["13"]["outline"])[0], np.array(plain["14"]["outline"])[2]
    around = np.array(frames["33"]["outline"])[[0, 2]]
    assert np.abs(around - np.array(ends)).max() < 1.0
    picture = tifffile.imread(out / "harbour_16.tif")
    assert picture.shape[2] == 3


def test_what_cannot_be_obeyed_is_told_and_the_rest_done(scans: Path, out: Path, run: Run):
    (scans / "roll.toml").write_text(
        '[[frames]]\nnumber = "47"\ndrop = true\n[[frames]]\nnumber = "12"\ndrop = true\n'
    )
    ran = run("convert", scans, "-o", out)
    assert ran.code == 0
    told = "roll.toml: there is no frame 47 on the roll as found, which has 11 to 17"
    assert ran.err.count(told) == 1
    assert f"problem: {told}" in ran.out
    assert "note: strip-1.tif: no colour profile" in ran.out
    record = json.loads((out / "roll.json").read_text("utf-8"))
    assert record["problems"][0]["scan"] == "roll.toml"
    numbers = [frame["number"] for strip in record["strips"] for frame in strip["frames"]]
    assert numbers == ["11", "13", "14", "15", "16", "17"]


def test_files_that_someone_changed_stay_when_their_frame_goes(scans: Path, out: Path, run: Run):
    (out / "harbour_12.jpg").write_bytes(b"retouched")
    corrected(scans, out, run, "[[frames]]\nnumber = 12\ndrop = true\n")
    left = [path.name for path in sorted(out.glob("harbour_12*"))]
    assert left == ["harbour_12.jpg"]


@pytest.mark.parametrize("way", ["upright", "reversed", "mirrored"])
def test_moves_are_as_the_picture_shows_them_however_the_strip_lies(way, tmp_path, run: Run):
    scenes = ("table", Scene("coffee"), "quay")
    roll = Roll("film-a", [FrameSpec(scene) for scene in scenes], first_number=21, seed=7)
    lies = {} if way == "upright" else {way: True}
    scan = make_scan([StripSpec(roll, count=3, **lies)], scanner="scanner-a", ppi=160, seed=7)
    folder = tmp_path / "harbour"
    folder.mkdir()
    write_scan(folder, "strip", scan)
    corrected(folder, tmp_path / "plain", run, "", "--inset", "0")
    # Whole pixels at 160 ppi: 20 and 13, less 10 and 5.
    moves = "left_mm = 3.175\nright_mm = -1.5875\ntop_mm = 2.06375\nbottom_mm = -0.79375"
    entry = f"[[frames]]\nnumber = 22\n{moves}\n"
    corrected(folder, tmp_path / "out", run, entry, "--inset", "0")
    whole = tifffile.imread(tmp_path / "plain" / "harbour_22.tif").astype(float)
    part = tifffile.imread(tmp_path / "out" / "harbour_22.tif").astype(float)
    assert part.shape[:2] == (whole.shape[0] - 18, whole.shape[1] - 30)
    same = whole[13:-5, 20:-10]
    other = whole[5:-13, 10:-20]
    alike, unlike = (np.corrcoef(each.ravel(), part.ravel())[0, 1] for each in (same, other))
    assert unlike < 0.95 < 0.99 < alike


class FailsAnew(ThreadPoolExecutor):
    """An executor that has no memory left for surveys of corrected frames."""

    def submit(self, function, *words, **named) -> Future:
        if function is survey_scan and len(words) > 3:
            failed: Future = Future()
            failed.set_exception(MemoryError())
            return failed
        return super().submit(function, *words, **named)


def test_a_scan_that_cannot_be_surveyed_anew_is_a_problem_of_its_own(model_roll: Path):
    scans = tuple(sorted(model_roll.glob("*.tif")))
    notes = RollNotes(frames=(FrameCorrection(1, "12", left_mm=1.0),))
    events = []
    with FailsAnew(1) as executor:
        surveyed = survey_roll(TakenRoll("r", scans, notes, Settings()), executor, events.append)
    assert [strip.scan.path.name for strip in surveyed.strips] == ["strip-2.tif"]
    (row,) = surveyed.frames
    assert [frame.number.number for frame in row] == ["15", "16", "17"]
    assert surveyed.failed == 1
    assert surveyed.problems[0].message.startswith("strip-1.tif: does not fit in memory")
    assert [event.name for event in events if event.kind == "failed"] == ["strip-1.tif"]


def test_the_example_of_the_readme_is_read():
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    examples = [part for part in readme.split("```toml")[1:] if "[[frames]]" in part]
    (table,) = [tomllib.loads(part.split("```")[0]) for part in examples]
    told = read_corrections(table["frames"], WHERE)
    assert [entry.number for entry in told] == ["07", "12", "05", None]
    keys = {key for entry in told for key, value in vars(entry).items() if value}
    rows = readme.split("| key | what |")[1].split("\n\n")[0]
    every = {item.name for item in fields(FrameCorrection)} - {"entry", "number"}
    assert keys - {"entry", "number"} <= every
    assert all(f"`{key}" in rows for key in every)
