"""Changes asked of a desk: what becomes of the roll, and the same files from the command."""

import shutil
import tomllib
from pathlib import Path

import pytest

from pipeline.problem import SettingsProblem
from pipeline.review.history import HISTORY_NAME
from pipeline.roll import journal
from tests.conftest import contents
from tests.film_model import FrameSpec, Roll, Scene, cut_roll, scan_strips, write_scan
from tests.review.desks import desk_over, do, ends, frames_of


def entries(scans: Path) -> list[dict]:
    return tomllib.loads((scans / "roll.toml").read_text("utf-8")).get("frames", [])


@pytest.fixture(scope="module")
def shared(model_roll, tmp_path_factory):
    scans = tmp_path_factory.mktemp("review") / "harbour"
    shutil.copytree(model_roll, scans)
    with desk_over(scans, scans.parent / "out") as made:
        yield made, scans


@pytest.fixture
def scans(shared):
    (shared[1] / "roll.toml").unlink(missing_ok=True)
    return shared[1]


@pytest.fixture
def desk(shared, scans):
    """Return a desk whose roll has no notes yet."""
    shared[0].refresh()
    return shared[0]


def test_an_edge_moves_by_what_is_told_and_again(desk, scans):
    before = ends(frames_of(desk)["12"])
    do(desk, "move", "12", edges={"left_mm": 0.5})
    do(desk, "move", "12", edges={"left_mm": -0.2, "right_mm": -1.0})
    assert entries(scans) == [{"number": "12", "left_mm": 0.3, "right_mm": -1.0}]
    after = ends(frames_of(desk)["12"])
    assert after[0] - before[0] == pytest.approx(0.3, abs=0.02)
    assert after[1] - before[1] == pytest.approx(-1.0, abs=0.02)
    do(desk, "move", "12", edges={"left_mm": -0.3, "right_mm": 1.0})
    assert entries(scans) == []


def test_all_cuts_of_a_strip_move_together(desk):
    before = {key: ends(frame) for key, frame in frames_of(desk).items() if frame["strip"] == 0}
    do(desk, "move", *before, edges={"move_mm": -0.4})
    for key, was in before.items():
        assert ends(frames_of(desk)[key])[0] == pytest.approx(was[0] - 0.4, abs=0.02)


def test_two_frames_become_one_and_one_becomes_two(desk, scans):
    found = frames_of(desk)
    do(desk, "join", "12", "13")
    joined = frames_of(desk)
    assert "13" not in joined
    both = (ends(found["12"])[0], ends(found["13"])[1])
    assert ends(joined["12"]) == pytest.approx(both, abs=0.02)
    at, until = ends(found["12"])[1], ends(found["13"])[0]
    do(desk, "split", "12", at_mm=at, until_mm=until)
    parts = frames_of(desk)
    assert ends(parts["12"]) == pytest.approx(ends(found["12"]), abs=0.05)
    new = next(frame for key, frame in parts.items() if key.startswith("+"))
    assert ends(new) == pytest.approx(ends(found["13"]), abs=0.05)
    do(desk, "join", "12", new["key"])
    assert len(frames_of(desk)) == len(found) - 1
    assert ends(frames_of(desk)["12"]) == pytest.approx(ends(joined["12"]), abs=0.05)


def test_frames_whose_edges_were_moved_are_joined_as_they_are_now(desk):
    do(desk, "move", "12", edges={"left_mm": 0.6})
    do(desk, "move", "13", edges={"right_mm": -0.8})
    now = frames_of(desk)
    do(desk, "join", "13", "12")
    wanted = (ends(now["12"])[0], ends(now["13"])[1])
    assert ends(frames_of(desk)["12"]) == pytest.approx(wanted, abs=0.02)


def test_frames_are_left_out_taken_in_added_and_renumbered(desk, scans):
    do(desk, "drop", "12", "14")
    assert desk.document()["gone"] == ["12", "14"]
    do(desk, "restore", "14")
    assert list(frames_of(desk)) == ["11", "13", "14", "15", "16", "17"]
    do(desk, "number", "13", to="31", onward=True)
    assert [frame["number"] for frame in frames_of(desk).values()][1:3] == ["31", "32"]
    do(desk, "add", strip=0, at_mm=ends(frames_of(desk)["11"])[1] + 2.0)
    added = frames_of(desk)["+3"]
    assert ends(added)[1] - ends(added)[0] == pytest.approx(36.0, abs=0.5)
    do(desk, "drop", "+3")
    assert "+3" not in frames_of(desk)
    do(desk, "reset", "13")
    assert frames_of(desk)["13"]["number"] == "13"


def test_tone_is_a_frames_or_the_rolls_and_is_carried(desk, scans):
    do(desk, "tone", "12", tones={"neutral": [0.5, 0.5]})
    balance = frames_of(desk)["12"]["balance"]
    do(desk, "carry", "13", "14", to="12")
    told = {entry["number"]: entry for entry in entries(scans)}
    assert told["12"]["neutral"] == [0.5, 0.5]
    assert told["13"]["balance"] == told["14"]["balance"] == pytest.approx(balance, abs=1e-4)
    do(desk, "tone", "12", tones={"balance": [0.02, 0.0, -0.02]})
    assert "neutral" not in entries(scans)[0]
    do(desk, "tone", tones={"exposure": 0.3, "contrast": 1.8})
    assert tomllib.loads((scans / "roll.toml").read_text("utf-8"))["contrast"] == 1.8
    assert desk.document()["tones"]["exposure"] == 0.3


@pytest.mark.parametrize(
    ("what", "frames", "more", "said"),
    [
        ("move", ("99",), {"edges": {"left_mm": 1.0}}, "no frame 99 any more"),
        ("move", ("12",), {"edges": {"left": 1.0}}, "no edge"),
        ("move", ("12",), {"edges": {"left_mm": 39.0}}, "nothing is left"),
        ("move", ("12",), {"edges": {"left_mm": 41.0}}, "left_mm"),
        ("join", ("12", "15"), {}, "side by side"),
        ("split", ("12",), {"at_mm": 1.0, "until_mm": 1.0}, "no place inside"),
        ("number", ("12",), {"to": "13"}, "another frame"),
        ("number", ("12",), {"to": "twelve"}, "no frame number"),
        ("kind", ("12",), {"to": "portrait"}, "kind"),
        ("tone", ("12",), {"tones": {"exposure": 99.0}}, "exposure"),
        ("tone", (), {"tones": {"neutral": [0.5, 0.5]}}, "can't be set"),
        ("tone", ("12",), {"tones": {"black": 0.5, "white": 0.4}}, "white point"),
        ("carry", ("12",), {"to": "99"}, "carry from"),
        ("add", (), {"strip": 9}, "no such strip"),
        ("reset", (), {}, "no frame"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words_and_changes_nothing(
    desk, scans, what, frames, more, said
):
    before = desk.document()
    with pytest.raises(SettingsProblem, match=said):
        do(desk, what, *frames, **more)
    assert not (scans / "roll.toml").exists()
    after = desk.document()
    assert (after["frames"], after["undo"]) == (before["frames"], before["undo"])


def test_changes_are_undone_and_done_again_over_restarts(scans, tmp_path):
    with desk_over(scans, tmp_path / "out") as desk:
        found = frames_of(desk)
        do(desk, "drop", "12")
        do(desk, "drop", "13")
        desk.undo()
        assert "13" in frames_of(desk)
    with desk_over(scans, tmp_path / "out") as again:
        assert again.document()["redo"] == "frame 13 left out"
        again.undo()
        assert frames_of(again) == found
        assert not (scans / "roll.toml").exists()
        again.redo()
        again.redo()
        assert set(found) - set(frames_of(again)) == {"12", "13"}


def test_notes_changed_by_another_program_are_kept_and_undone_as_a_step(desk, scans):
    (scans / "roll.toml").write_text("id = 'quay'  # mine\n", "utf-8")
    assert desk.document()["name"] == "Roll quay"
    do(desk, "drop", "12")
    text = (scans / "roll.toml").read_text("utf-8")
    assert text.startswith("id = 'quay'  # mine\n")
    (scans / "roll.toml").write_text(f"{text}\nleft = = 1\n", "utf-8")
    told = desk.document()
    assert "TOML" in told["trouble"]
    assert "12" not in frames_of(desk)
    (scans / "roll.toml").write_text(text, "utf-8")
    assert desk.document()["trouble"] == ""


def test_a_change_that_the_roll_cannot_live_with_is_taken_back(desk, scans):
    (scans / "roll.toml").write_text("reference = '11'\n", "utf-8")
    assert desk.document()["trouble"] == ""
    with pytest.raises(SettingsProblem, match="11"):
        do(desk, "drop", "11")
    assert (scans / "roll.toml").read_text("utf-8") == "reference = '11'\n"
    assert "11" in frames_of(desk)
    (scans / "roll.toml").write_text("reference = '99'\n", "utf-8")
    assert "99" in desk.document()["trouble"]
    with pytest.raises(SettingsProblem, match="correct it first"):
        desk.undo()
    assert (scans / "roll.toml").read_text("utf-8") == "reference = '99'\n"
    (scans / "roll.toml").write_text("reference = '11'\n", "utf-8")
    assert desk.document()["trouble"] == ""
    do(desk, "drop", "12")
    assert "12" not in frames_of(desk)


def test_line_ends_and_permissions_of_the_notes_stay(desk, scans):
    file = scans / "roll.toml"
    file.write_bytes(b"id = 'quay'\r\n# mine\r\n")
    file.chmod(0o640)
    do(desk, "tone", tones={"exposure": 0.5})
    assert file.read_bytes().startswith(b"id = 'quay'\r\n")
    assert file.stat().st_mode & 0o777 == 0o640
    desk.undo()
    assert file.read_bytes() == b"id = 'quay'\r\n# mine\r\n"


def test_two_desks_lose_none_of_each_others_changes(desk, scans, tmp_path):
    with desk_over(scans, tmp_path / "out-2") as other:
        do(desk, "drop", "12")
        do(other, "move", "14", edges={"left_mm": 0.5})
        do(desk, "drop", "15")
        assert [entry["number"] for entry in entries(scans)] == ["12", "14", "15"]


def test_what_is_written_is_byte_for_byte_what_the_command_writes(scans, tmp_path, run):
    with desk_over(scans, tmp_path / "out") as desk:
        changed_and_written(desk)
    assert run("convert", scans, "-o", tmp_path / "own").code == 0
    written = contents(tmp_path / "out")
    assert written.pop(HISTORY_NAME)
    assert written == contents(tmp_path / "own")


def changed_and_written(desk):
    do(desk, "tone", "12", tones={"exposure": 0.5, "contrast": 1.8, "black": 0.02})
    do(desk, "tone", "13", tones={"neutral": [0.4, 0.6]})
    do(desk, "join", "11", "12")
    do(desk, "number", "17", to="21")
    do(desk, "tone", tones={"exposure": -0.2})
    assert set(desk.document()["pending"]) == {"11", "13", "14", "15", "21"}
    desk.write()
    desk.wait()
    assert desk.document()["pending"] == []
    assert desk.document()["writing"]["ended"] == "done"


def test_only_what_changed_is_to_be_written(scans, tmp_path, run, monkeypatch):
    out = tmp_path / "out"
    # The scans are not older than the seconds in which a file's time tells nothing.
    monkeypatch.setattr(journal, "_SETTLED_NS", 0)
    assert run("convert", scans, "-o", out).code == 0
    with desk_over(scans, out) as desk:
        assert desk.document()["pending"] == []
        do(desk, "tone", "13", tones={"exposure": 0.5})
        assert desk.document()["pending"] == ["13"]


def test_frames_counted_keep_their_corrections_when_a_scan_comes_before_them(tmp_path):
    # The edge of film of this size has no numbers, so frames are counted.
    scenes = ("chart", Scene("coffee"), "hills", "boats")
    film = Roll("film-a", tuple(map(FrameSpec, scenes)), format="120-6x6", seed=3)
    pieces = scan_strips(cut_roll(film, 2), per_scan=1, seed=3, scanner="scanner-a", ppi=120)
    scans, later = tmp_path / "quay", tmp_path / "later"
    for folder, name, piece in ((later, "strip-1", pieces[0]), (scans, "strip-2", pieces[1])):
        folder.mkdir()
        write_scan(folder, name, piece)
    with desk_over(scans, tmp_path / "out") as desk:
        do(desk, "move", "02", edges={"left_mm": 0.5})
        place = frames_of(desk)["02"]["corners_mm"]
        (later / "strip-1.tif").rename(scans / "strip-1.tif")
        desk.refresh(scans_too=True)
        moved = next(frame for frame in frames_of(desk).values() if frame["corrected"])
        assert (moved["key"], moved["corners_mm"]) == ("04", place)
        assert [entry["number"] for entry in entries(scans)] == ["04"]
        desk.undo()
        assert "scans came" in desk.document()["redo"]


def test_writing_is_stopped_and_goes_on_from_there(scans, tmp_path):
    with desk_over(scans, tmp_path / "out") as desk:
        seen = []
        desk.listen(lambda: (seen.append(1), desk.stop()))
        desk.write()
        desk.wait()
        told = desk.document()
        assert told["writing"]["ended"] == "stopped"
        assert 0 < len(told["pending"]) < 6
        assert seen
    with desk_over(scans, tmp_path / "out") as desk:
        desk.write()
        desk.wait()
        assert desk.document()["pending"] == []
        assert len(list((tmp_path / "out").glob("*.tif"))) == 6


def test_a_scan_that_went_is_told_and_the_rest_works(desk, scans):
    kept = scans.parent / "strip-2.tif"
    (scans / "strip-2.tif").rename(kept)
    desk.refresh(scans_too=True)
    assert {frame["strip"] for frame in frames_of(desk).values()} == {0}
    do(desk, "drop", "12")
    assert "12" not in frames_of(desk)
    kept.rename(scans / "strip-2.tif")
    desk.refresh(scans_too=True)
    assert {frame["strip"] for frame in frames_of(desk).values()} == {0, 1}
