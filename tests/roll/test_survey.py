"""Survey of a roll out of order, with a strip scanned twice: the film model knows the numbers."""

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.colour import colour_of_roll
from pipeline.numbering import film_notes
from pipeline.problem import SettingsProblem
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll as ScannedRoll
from pipeline.settings.settings import RollNotes, Settings
from tests.film_model import FrameSpec, Holder, Roll, StripSpec, make_scan, write_scan

SCENES = ("coffee", "cat", "hills", "temple", "table", "house")
ROLL = Roll("film-b", [FrameSpec(scene) for scene in SCENES], first_number=11, seed=6)
# The strip's window leaves only the codes' edge in view, or both.
ONE_EDGE = Holder(window_margin_mm=-1.5)
PIECES = {
    "a": (StripSpec(ROLL, 3, 3, reversed=True), None),
    "b": (StripSpec(ROLL, 0, 3, shift_mm=(0.0, -2.5)), ONE_EDGE),
    "c": (StripSpec(ROLL, 3, 3, angle_deg=0.5, mirrored=True), None),
}


@pytest.fixture(scope="module")
def scans(tmp_path_factory) -> dict[str, tuple[Path, list[str]]]:
    folder = tmp_path_factory.mktemp("scans")
    told = {}
    for seed, (name, (piece, holder)) in enumerate(PIECES.items()):
        scan = make_scan([piece], "scanner-a", ppi=180.0, seed=seed, holder=holder)
        numbers = [frame["number"] for frame in scan.truth["strips"][0]["frames"]]
        told[name] = (Path(write_scan(folder, name, scan)), numbers)
    return told


def surveyed(scans, names, **settings) -> tuple[SurveyedRoll, list]:
    events: list = []
    paths = tuple(scans[name][0] for name in names)
    roll = ScannedRoll("roll", paths, RollNotes(), Settings(scan_gamma=1.0, **settings))
    with ThreadPoolExecutor(2) as executor:
        return survey_roll(roll, executor, events.append), events


def numbers_of(done: SurveyedRoll) -> list[list[str]]:
    return [[frame.number.number for frame in row] for row in done.frames]


def test_strips_come_in_the_order_of_the_film_whatever_their_names(scans):
    done, events = surveyed(scans, "ab")
    assert [strip.scan.path.stem for strip in done.strips] == ["b", "a"]
    assert numbers_of(done) == [scans["b"][1], scans["a"][1]]
    assert {frame.number.number_from for row in done.frames for frame in row} == {"edge"}
    assert not [event for event in events if event.kind == "noted"]


def test_a_strip_scanned_twice_is_told_and_kept_apart(scans):
    done, events = surveyed(scans, "abc")
    truth = scans["a"][1]
    assert numbers_of(done) == [scans["b"][1], truth, [f"{name}b" for name in truth]]
    (note,) = [problem for problem in done.problems if problem.kind == "note"]
    assert note.scan == "c.tif"
    assert "same piece of film as a.tif" in note.message
    here, there = f"{truth[0]}b to {truth[-1]}b", f"{truth[0]} to {truth[-1]}"
    assert f"frames {here} here are frames {there} there" in note.message
    assert [event.message for event in events if event.kind == "noted"] == [note.message]


def test_what_needs_no_colour_is_found_while_it_is_solved(scans, monkeypatch):
    found = threading.Event()

    def noted(*words):
        found.set()
        return film_notes(*words)

    def solved(*words):
        assert found.wait(60.0)
        return colour_of_roll(*words)

    monkeypatch.setattr("pipeline.roll.survey.film_notes", noted)
    monkeypatch.setattr("pipeline.roll.survey.colour_of_roll", solved)
    assert surveyed(scans, "a")[0].strips


def test_the_film_code_chooses_the_profile_unless_the_user_does(scans, monkeypatch):
    asked = []
    monkeypatch.setattr(
        "pipeline.roll.survey.profile_of_codes", lambda codes: asked.append(set(codes)) or "generic"
    )
    done, _ = surveyed(scans, "b")
    assert done.profile.name == "generic"
    assert asked == [{done.strips[0].edge.film_code}]
    surveyed(scans, "b", profile="generic")
    assert len(asked) == 1


def test_a_wrong_profile_is_refused_before_any_scan_is_read(scans):
    roll = ScannedRoll("roll", (Path("none.tif"),), RollNotes(), Settings(profile="none"))
    with pytest.raises(SettingsProblem, match="no film profile"):
        survey_roll(roll, ThreadPoolExecutor(1), lambda _: None)
    assert replace(roll, settings=Settings()).settings.profile is None
