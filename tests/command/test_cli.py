import json
import os
import pty
import select
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.command.cli import evenroll, main
from pipeline.settings.settings import LOOKS
from tests.conftest import Run, contents, states
from tests.roll_schema import broken

COMMAND = (sys.executable, "-m", "pipeline")
REPOSITORY = Path(__file__).parents[2]


def started(*words: object, **options) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, *map(str, words)], cwd=REPOSITORY, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        # A shell hands "ignored" on to what it starts in the background.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL), **options,
    )  # fmt: skip


@pytest.mark.parametrize(("words", "code"), [("--version", 0), ("gone.tif", 2), ("boom", 1)])
def test_the_process_ends_when_libraries_have_cleared_up_with_nothing_taken_to_pieces(words, code):
    """What is said and the code are whole; an error that nobody expects is told as ever."""
    script = (
        "import atexit, sys, pipeline.command.cli as cli, pipeline.__main__ as command\n"
        "class Kept:\n"
        "    def __del__(self): print('taken to pieces', flush=True)\n"
        "def late(*_): atexit.register(print, 'cleared up'); return usual()\n"
        "usual, sys.kept = cli.main, Kept()\n"
        "cli.main = (lambda: 1 / 0) if sys.argv[1] == 'boom' else late\n"
        "command.main()\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, words], cwd=REPOSITORY, capture_output=True, text=True
    )
    assert ran.returncode == code
    if code == 1:
        assert "ZeroDivisionError" in ran.stderr
        return
    assert "taken to pieces" not in ran.stdout
    assert ran.stdout.splitlines()[-1] == "cleared up"
    assert ("evenroll, version" in ran.stdout) is (code == 0)


def test_convert_as_json(model_roll: Path, tmp_path: Path, run: Run):
    out = tmp_path / "out"
    ran = run("convert", model_roll, "-o", out, "--json", "--archive", "none")
    assert ran.code == 0
    (result,) = json.loads(ran.out)
    blank_and_pictures = (result["written"], result["kept"], result["failed"])
    assert blank_and_pictures == (6, 0, 0)
    assert (result["roll"], result["out"]) == ("harbour", str(out))
    assert broken(json.loads((out / "roll.json").read_text("utf-8"))) == []


def test_json_of_a_failure_is_json(tmp_path: Path, run: Run):
    (tmp_path / "bad.tif").write_bytes(b"")
    ran = run("convert", tmp_path / "bad.tif", "-o", tmp_path / "out", "--json")
    assert ran.code == 3
    (result,) = json.loads(ran.out)
    assert (result["written"], result["failed"]) == (0, 1)
    assert "is empty" in result["problems"][0]


def test_measure_as_json_and_as_a_table(model_roll: Path, run: Run):
    document = json.loads(run("measure", model_roll, "--json").out)
    assert broken(document) == []
    truth = json.loads((model_roll / "strip-1.truth.json").read_text("utf-8"))
    # The film model's own base; two steps of a densitometer's last digit.
    base = document["strips"][0]["base"]["density"]
    assert base == pytest.approx(truth["strips"][0]["base_density"], abs=0.02)
    ran = run("measure", model_roll)
    assert ran.code == 0
    rows = [line.split() for line in ran.out.splitlines()]
    assert [row[1] for row in rows if row[:1] == ["1"]][:1] == ["strip-1.tif"]
    assert f"{base[2]:.3f}" in ran.out


def test_measure_of_several_rolls_is_a_list(model_roll: Path, scans: Path, run: Run):
    documents = json.loads(run("measure", model_roll, scans, "--json").out)
    assert [document["roll"]["id"] for document in documents] == ["harbour", "harbour"]


def test_measure_writes_nothing(scans: Path, run: Run):
    before = states(scans.parent)
    assert run("measure", scans).code == 0
    assert states(scans.parent) == before


def test_assumptions_are_told_once_a_roll(model_roll: Path, run: Run):
    ran = run("measure", model_roll, "--json")
    (told,) = ran.err.splitlines()
    assert told.startswith("strip-1.tif and 1 more: no colour profile")
    (problem,) = json.loads(ran.out)["problems"]
    assert problem["scan"] == "strip-1.tif"
    assert problem["message"].endswith("(1 more scan alike)")
    assert run("measure", model_roll, "--scan-gamma", "1").err == ""


@pytest.mark.parametrize(
    "words",
    [
        (), ("convert",), ("convert", "x"), ("wind",), ("measure", "x", "--gama", "2"),
        ("convert", "x", "-o", "y", "--look", "vivid"),
        ("convert", "x", "-o", "y", "--gamma", "1,2"),
        ("convert", "x", "-o", "y", "--workers", "0"),
    ],
)  # fmt: skip
def test_wrong_usage(words, run: Run):
    assert run(*words).code == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--share-quality", "101"), "--share-quality is 101"),
        (("--scan-gamma", "nan"), "--scan-gamma is nan; give a number from 1 to 4"),
        (("--first-number", "123"), "'123' is no frame number"),
        (("--profile", "no-such-film"), "no-such-film"),
        (("--black", "0.9", "--white", "0.8"), "white point is not above the black point"),
    ],
)
def test_wrong_settings_are_wrong_usage(words, said, model_roll, tmp_path, run: Run):
    ran = run("convert", model_roll, "-o", tmp_path, *words)
    assert ran.code == 2
    assert said in ran.err
    assert len(ran.err.splitlines()) == 1
    assert ran.out == ""


def test_wrong_roll_file_names_the_slip(scans: Path, tmp_path: Path, run: Run):
    (scans / "roll.toml").write_text("look = 'lineal'\n", encoding="utf-8")
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 2
    assert "roll.toml: 'look' is 'lineal'; choose one of print, log, linear." in ran.err


@pytest.mark.parametrize("command", ["convert", "split", "measure"])
def test_help_tells_every_word(command: str, run: Run):
    ran = run(command, "--help")
    assert ran.code == 0
    assert ran.err == ""
    options = {name for item in evenroll.commands[command].params for name in item.opts}
    assert all(name in ran.out for name in options if name.startswith("-"))
    assert ("|".join(LOOKS) in ran.out) == (command == "convert")


def test_strict_measures_nothing_of_a_roll_with_a_bad_scan(scans: Path, run: Run):
    (scans / "strip-3.tif").write_bytes(b"")
    assert run("measure", scans).code == 1
    ran = run("measure", scans, "--strict")
    assert (ran.code, ran.out) == (3, "")


def test_a_base_scan_without_use_is_told(scans: Path, run: Run):
    level = np.full((40, 60, 3), (40000, 22000, 9000), np.uint16)
    tifffile.imwrite(scans.parent / "clear.tif", level, photometric="rgb")
    ran = run("measure", scans, "--base-scan", scans.parent / "clear.tif")
    assert ran.code == 0
    assert "clear.tif: is used for nothing as a base scan: no file of the roll is one" in ran.err


def test_strict_writes_nothing_of_a_roll_with_a_bad_scan(scans, tmp_path, run: Run):
    (scans / "strip-3.tif").write_bytes(b"")
    ran = run("convert", scans, "-o", tmp_path / "out", "--strict")
    assert ran.code == 3
    assert list((tmp_path / "out").iterdir()) == []


def test_several_folders_get_a_folder_each(model_roll, scans, tmp_path, run: Run, converted):
    ran = run("convert", model_roll, scans, "-o", tmp_path / "out")
    assert ran.code == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["harbour", "harbour-2"]
    assert contents(tmp_path / "out" / "harbour") == contents(converted)
    assert contents(tmp_path / "out" / "harbour-2") == contents(converted)


def test_a_roll_that_fails_is_told_in_its_turn_and_touches_no_other(
    model_roll, scans, tmp_path, run: Run, converted
):
    """Though its scans are looked at while pictures of the roll before are written."""
    spoilt = tmp_path / "spoilt"
    spoilt.mkdir()
    (spoilt / "torn.tif").write_bytes(b"II*\0torn")
    ran = run("convert", model_roll, spoilt, scans, "-o", tmp_path / "out", "-v")
    assert ran.code == 1
    told = [line for line in ran.err.splitlines() if "torn.tif" in line or ": written" in line]
    frames = len(list(converted.glob("*.tif")))
    assert [at for at, line in enumerate(told) if "torn.tif" in line] == [frames]
    assert len(told) == 2 * frames + 1
    for name in ("harbour", "harbour-2"):
        assert contents(tmp_path / "out" / name) == contents(converted)


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_run_over_rolls_that_is_stopped_ends_soon_and_goes_on(
    sent, model_roll, scans, tmp_path, run: Run, converted
):
    """The next roll is begun by then; nothing of it is told or left."""
    out = tmp_path / "out"
    process = started("convert", model_roll, scans, "-o", out, "--workers", 1, "-v")
    for line in process.stderr:
        if "written" in line:
            break
    process.send_signal(sent)
    output, errors = process.communicate(timeout=60)
    assert process.returncode == 128 + sent
    assert output == ""
    assert "Traceback" not in errors
    assert "surveyed" not in errors
    assert not (out / "harbour-2").exists()
    results = json.loads(run("convert", model_roll, scans, "-o", out, "--json").out)
    assert [result["kept"] + result["written"] for result in results] == [6, 6]
    for name in ("harbour", "harbour-2"):
        assert contents(out / name) == contents(converted)


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_stopped_run_goes_on_from_there(sent, model_roll, tmp_path, run: Run, converted):
    out = tmp_path / "out"
    process = started("convert", model_roll, "-o", out, "--workers", 1, "-v")
    for line in process.stderr:
        if "written" in line:
            break
    process.send_signal(sent)
    output, errors = process.communicate(timeout=60)
    assert output == ""
    assert "Traceback" not in errors
    assert process.returncode == (-sent if sent == signal.SIGKILL else 128 + sent)
    assert sent == signal.SIGKILL or not list(out.glob(".evenroll-*"))
    finished = contents(out)
    assert all(contents(converted)[n] == finished[n] for n in finished if n.endswith(".tif"))
    assert not (out / "index.html").exists()
    (result,) = json.loads(run("convert", model_roll, "-o", out, "--json").out)
    assert result["kept"] >= 1
    assert result["kept"] + result["written"] == 6
    assert contents(out) == contents(converted)


def test_progress_is_for_terminals_only(model_roll: Path, tmp_path: Path, run: Run):
    assert "of 6" not in run("convert", model_roll, "-o", tmp_path / "a", "--archive", "none").err
    outer, inner = pty.openpty()
    words = ("convert", model_roll, "-o", tmp_path / "b", "--archive", "none")
    process = subprocess.Popen(
        [*COMMAND, *map(str, words)], cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=inner
    )
    os.close(inner)
    told = b""
    while select.select([outer], [], [], 60)[0]:
        try:
            told += os.read(outer, 4096)
        except OSError:  # Linux reports the other side's closing as EIO.
            break
    os.close(outer)
    output = process.communicate(timeout=60)[0]
    assert process.returncode == 0
    assert b"6 of 6 frames written" in told
    assert b"\r\x1b[K" in told
    assert b"\x1b" not in output
    assert b"frames written\r" not in output


def test_readings_and_batch_are_drawn_on_the_page(model_roll: Path, tmp_path: Path, run: Run):
    out, readings = tmp_path / "out", tmp_path / "readings.csv"
    readings.write_text(
        "strip,patch,red,green,blue\naim,ld,0.75,1.16,1.42\naim,hd,1.58,2.04,2.43\n"
        "1,ld,0.74,1.15,1.41\n1,hd,1.56,2.02,2.41\n"
    )
    words = ("convert", model_roll, "-o", out, "--archive", "none", "--readings", readings)
    assert run(*words).code == 0
    page = (out / "index.html").read_text("utf-8")
    assert "Control chart" in page
    # The chart on the roll gives the film's curve by itself.
    assert "The film&#39;s curve" in page
    again = run(*words)
    assert "0 written now" in again.out
    readings.write_text("nothing")
    ran = run(*words)
    assert ran.code in (2, 3)
    assert "readings.csv" in ran.err


def test_threads_hand_python_on_sooner_than_by_themselves(monkeypatch, capsys):
    told: list[float] = []
    monkeypatch.setattr(sys, "setswitchinterval", told.append)
    with pytest.raises(SystemExit):
        main(["--help"])
    assert 0.0 < told[0] < 0.005
