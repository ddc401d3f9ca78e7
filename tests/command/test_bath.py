import json
from datetime import date, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from pipeline.bath.batch import Batch
from pipeline.bath.caution import caution_text
from pipeline.bath.log import BathLog
from tests.bath.test_exchange import BATCH, written
from tests.conftest import Ran, Run


@pytest.fixture(autouse=True)
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the log of these tests; none of them may touch the user's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("EVENROLL_BATH_LOG", str(path))
    return path


def ran_well(ran: Ran) -> str:
    assert (ran.code, ran.err) == (0, "")
    return ran.out


def test_a_batch_from_mixing_to_its_end(run: Run, tmp_path: Path):
    ran_well(run("bath", "mix", "spring kit", "--on", "2025-05-03", "--life-rolls", "16",
                 "--volume", 1000, "--time", "3:15", "--compensation", "2"))  # fmt: skip
    for place in range(8):
        density = ",".join(f"{grey * 0.98**place:.4f}" for grey in (0.7, 0.8, 0.9))
        ran_well(run("bath", "use", "spring kit", f"{place:02d}", "--edge-print", density))
    chart = tmp_path / "trend.svg"
    text = ran_well(run("bath", "show", "spring kit", "--chart", chart))
    assert "8 rolls done" in text
    assert "Warning: under-developed" in text
    assert caution_text() in ran_well(run("bath", "use", "spring kit", "07"))
    assert text.count(caution_text()) == 1
    assert text.endswith(caution_text())
    assert ElementTree.parse(chart).getroot().get("class") == "plot"
    ran_well(run("bath", "show", "spring kit", "--chart", chart))
    assert "is probably spent" in ran_well(run("bath", "list"))
    document = json.loads(ran_well(run("bath", "show", "spring kit", "--json")))
    assert document["life"]["verdict"] == "spent"
    assert json.loads(ran_well(run("bath", "list", "--json")))[0]["rolls_done"] == 8.0


def test_mixing_notes_today_and_changing_corrects(run: Run, log: Path):
    ran_well(run("bath", "mix", "spring"))
    assert BathLog(log).batch("spring")[0].mixed in (date.today(), date.today() - timedelta(days=1))
    ran_well(run("bath", "change", "spring", "--on", "2025-05-03", "--notes", "left shelf"))
    expected = Batch("spring", mixed=date(2025, 5, 3), notes="left shelf")
    assert BathLog(log).entries() == (expected,)
    assert run("bath", "mix", "spring").code == 2
    assert run("bath", "change", "sprung").code == 2
    assert BathLog(log).entries() == (expected,)


def test_wrong_entries_are_taken_back(run: Run, log: Path):
    ran_well(run("bath", "mix", "spring"))
    ran_well(run("bath", "use", "spring", "7", "--rolls", "0.5"))
    before = BathLog(log).entries()
    assert "undo" in ran_well(run("bath", "remove", "spring", "7"))
    assert ran_well(run("bath", "undo")) == "The last change is taken back, of 7 of spring.\n"
    assert BathLog(log).entries() == before
    assert "with 1 roll;" in ran_well(run("bath", "remove", "spring"))
    assert BathLog(log).entries() == ()
    ran_well(run("bath", "undo"))
    assert BathLog(log).entries() == before


def test_finished_rolls_are_fed_once(run: Run, tmp_path: Path, log: Path):
    written(tmp_path)
    assert ran_well(run("bath", "add-roll", tmp_path)) == "sarrow-07 in spring kit: noted.\n"
    again = ran_well(run("bath", "add-roll", tmp_path / "roll.json"))
    # Named by its file now and by its folder before: the same place, the same entry.
    assert again == "sarrow-07 in spring kit: stands already.\n"
    written(tmp_path, densities={"edge_print": [0.6, 0.7, 0.8]})
    ran_well(run("bath", "add-roll", tmp_path))
    _, (use,) = BathLog(log).batch("spring kit")
    assert use.edge_print == (0.6, 0.7, 0.8)
    assert use.base == (0.21, 0.63, 0.88)
    # Its batch corrected: it is noted there, and where else it stands is told.
    written(tmp_path, batch={**BATCH, "name": "autumn kit"})
    ran = run("bath", "add-roll", tmp_path)
    assert (ran.code, "also stands in batch 'spring kit'" in ran.err) == (0, True)


def test_one_bad_record_stops_no_other(run: Run, tmp_path: Path, log: Path):
    good, bad, other_day = tmp_path / "good", tmp_path / "bad", tmp_path / "other"
    for folder in (good, bad, other_day):
        folder.mkdir()
    written(good)
    written(bad, batch={})
    written(other_day, batch={**BATCH, "mixed": "2025-06-01"}, id="sarrow-08")
    ran = run("bath", "add-roll", bad, good, other_day)
    assert ran.code == 1
    first, second = ran.err.splitlines()
    assert "names no batch" in first
    assert second.startswith(f"{other_day}: 'spring kit' has 'mixed' 2025-05-03 in the log")
    assert [use.roll for use in BathLog(log).batch("spring kit")[1]] == ["sarrow-07"]
    assert run("bath", "add-roll", bad).code == 3


def test_export_and_import_are_each_others_inverse(run: Run, tmp_path: Path, log: Path):
    ran_well(run("bath", "mix", "spring", "--on", "2025-05-03", "--notes", "frisch, größer"))
    ran_well(run("bath", "use", "spring", "7", "--edge-print", "0.7,0.8,0.9"))
    text = ran_well(run("bath", "export"))
    out = tmp_path / "log.csv"
    assert "2 entries" in ran_well(run("bath", "export", out))
    # The exact bytes, which pytest's capture of stdout may not keep.
    assert out.read_bytes().decode().replace("\r\n", "\n") == text.replace("\r\n", "\n")
    other = tmp_path / "other.sqlite"
    assert ran_well(run("bath", "import", out, "--log", other)).startswith("2 new")
    assert BathLog(other).entries() == BathLog(log).entries()
    assert "2 stood already" in ran_well(run("bath", "import", out, "--log", other))
    ran_well(run("bath", "change", "spring", "--volume", "600"))
    ran = run("bath", "import", out)
    assert ran.code == 2
    assert ran.err.startswith(f"{out}: line 2: 'spring' is in the log with other values")
    assert "1 changed, 1 stood" in ran_well(run("bath", "import", out, "--replace"))
    ran_well(run("bath", "export", out))
    mine = tmp_path / "mine.csv"
    mine.write_text("roll,film\n", "utf-8")
    assert run("bath", "export", mine).code == 3
    assert mine.read_text("utf-8") == "roll,film\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["mix", " "], "'name' is missing"),
        (["mix", "a", "--volume", "lots"], "--volume is 'lots'"),
        (["use", "a", "1"], "the log has no batch 'a'"),
        (["show", "a"], "the log has no batch 'a'"),
        (["remove", "a"], "the log has no batch 'a'"),
        (["undo"], "there is no change to take back"),
        (["use", "a", "1", "--edge-print", "0.7,0.8"], "is not one number or three"),
    ],
)
def test_what_makes_no_sense_is_told(run: Run, log: Path, words: list[str], told: str):
    ran = run("bath", *words)
    assert (ran.code, told in ran.err) == (2, True)
    assert not log.exists()


def test_a_drawing_needs_a_trend_and_a_name(run: Run, tmp_path: Path):
    ran_well(run("bath", "mix", "spring"))
    ran = run("bath", "show", "spring", "--chart", tmp_path / "trend.svg")
    assert (ran.code, "has no trend to draw" in ran.err) == (1, True)
    assert ran.out.startswith("spring: mixed")
    ran = run("bath", "show", "spring", "--chart", tmp_path / "trend.pdf")
    assert (ran.code, "ending in .svg or .png" in ran.err) == (2, True)
    ran = run("bath", "show", "spring", "--chart", tmp_path / "slip" / "trend.svg")
    told = f"{tmp_path / 'slip' / 'trend.svg'}: its folder is not there; make it first, or correct"
    assert (ran.code, ran.out, ran.err) == (2, "", f"{told} --chart.\n")


def test_a_trend_is_drawn_as_png_too(run: Run, tmp_path: Path):
    chart = tmp_path / "trend.png"
    ran_well(run("bath", "mix", "spring", "--life-rolls", "16"))
    ran_well(run("bath", "show", "spring", "--chart", chart))
    with Image.open(chart) as image:
        assert image.format == "PNG"


def test_a_day_still_to_come_is_a_slip(run: Run, log: Path):
    day = date.today() + timedelta(days=2)
    for words in (("mix", "spring"), ("change", "spring"), ("use", "spring", "1")):
        ran = run("bath", *words, "--on", day)
        assert (ran.code, ran.err) == (
            2,
            f"--on is {day}, which is still to come; correct the day.\n",
        )
    assert not log.exists()


def test_the_place_of_the_log(run: Run, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The option goes before the variable, which goes before the data folder."""
    option = tmp_path / "option.sqlite"
    ran_well(run("bath", "mix", "one", "--log", option))
    ran_well(run("bath", "mix", "two"))
    monkeypatch.delenv("EVENROLL_BATH_LOG")
    ran_well(run("bath", "mix", "three"))
    places = (option, log, tmp_path / "data" / "evenroll" / "bath.sqlite")
    assert [BathLog(place).entries()[0].name for place in places] == ["one", "two", "three"]
    assert "holds no batch yet" in ran_well(run("bath", "list", "--log", tmp_path / "none"))
    assert not (tmp_path / "none").exists()
    (tmp_path / "text").write_text("no log\n" * 99, "utf-8")
    ran = run("bath", "list", "--log", tmp_path / "text")
    assert (ran.code, "is no log of batches" in ran.err) == (3, True)


def test_a_slip_in_the_log_s_folder_begins_no_second_log(run: Run, tmp_path: Path):
    ran = run("bath", "mix", "spring", "--log", tmp_path / "absent" / "bath.sqlite")
    assert ran.code == 2
    assert "its folder is not there; make it first, or correct --log." in ran.err
    assert not (tmp_path / "absent").exists()


def test_answers_say_in_words_what_was_noted_and_where(run: Run, log: Path):
    mixed = ran_well(run("bath", "mix", "spring", "--on", "2025-05-03", "--time", "3:15"))
    assert "spring: mixed 2025-05-03, developer 3:15." in mixed
    assert f"A new log was begun: {log}" in mixed
    assert caution_text() in mixed
    words = ("bath", "use", "spring", "07", "--on", "2025-05-10", "--time", "3:30")
    used = ran_well(run(*words))
    assert "07 in spring: developed 2025-05-10, counts for 1 roll, developer 3:30." in used
    assert "After 1 roll spring " in used
    assert caution_text() in used
    assert "stood so already" in ran_well(run(*words))


def test_noting_a_roll_leads_nobody_to_the_baths_while_they_are_good(run: Run):
    ran_well(run("bath", "mix", "fresh", "--life-rolls", "16"))
    assert "good for another" in (used := ran_well(run("bath", "use", "fresh", "01")))
    assert caution_text() not in used


def test_a_wrong_value_is_told_by_its_option(run: Run):
    for words, told in (
        (("mix", "a", "--life-rolls", "many"), "--life-rolls is 'many'"),
        (("mix", "a", "--temperature", "380"), "--temperature is 380"),
        (("mix", "a", "--temperature", "100F"), "'100F'; give degrees Celsius from 5 to 60."),
        (("mix", "a", "--volume", "1 l"), "is '1 l'; give millilitres from 10 to 1000000."),
        (("use", "a", "1", "--time", "3:75"), "--time is '3:75'; give a time as in 3:15, or sec"),
        (("use", "a", "1", "--time", "3.15"), "--time is 3.15; give a time as in 3:15, or sec"),
    ):
        ran = run("bath", *words)
        assert (ran.code, told in ran.err) == (2, True), ran.err
