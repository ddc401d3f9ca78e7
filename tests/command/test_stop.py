"""Signals that end the command: soon, whatever it is at, and with nothing half-written."""

import errno
import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from pipeline.command import run as module
from pipeline.command.run import Talk
from pipeline.command.stop import STOPS, Stops
from pipeline.event import Event

PATIENCE_SECONDS = 60
SAID = "Interrupted; what is finished stays, and a rerun goes on from there.\n"
# A worker is half through a file under the folder's lock, as the main thread goes where no handler
# of Python's runs until it comes out again, which would take hours.
STUCK = """
import hashlib, sys, threading
from contextlib import suppress
from pathlib import Path
from pipeline.command.stop import Stops
from pipeline.whole_file import atomic
from pipeline.roll.lock import folder_lock

folder, half, done = Path(sys.argv[1]), threading.Event(), threading.Event()

def write():
    with folder_lock(folder, print), atomic(folder / "07.tif") as file:
        file.write(b"half")
        half.set()
        done.wait()

with Stops():
    threading.Thread(target=write).start()
    half.wait()
    while True:
        # The signal may come before it is in there.
        with suppress(KeyboardInterrupt):
            print("begun", flush=True)
            hashlib.pbkdf2_hmac("sha256", b"", b"", 10 ** 9)
"""
# Whoever ends it has to wait for something that does not come.
SLOW = """
import sys, threading
from pipeline.command import stop

stop._ORDERLY_SECONDS = 1e6
with stop.Stops():
    try:
        print("begun", flush=True)
        threading.Event().wait()
    finally:
        print("ending", flush=True)
        threading.Event().wait()
"""
# Stands in for what takes long to load.
LOADING = "import os, signal, time; os.kill(os.getpid(), signal.SIGINT); time.sleep(60)"


def started(code: str, *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # A shell hands "ignored" on to what it starts in the background, and so does nohup(1).
        preexec_fn=lambda: [signal.signal(stop, signal.SIG_DFL) for stop in STOPS],
    )  # fmt: skip


def line_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline()


@pytest.mark.parametrize("sent", STOPS)
def test_it_ends_where_nothing_can_be_asked_to(sent: signal.Signals, tmp_path: Path):
    with started(STUCK, tmp_path) as process:
        assert line_of(process) == "begun\n"
        assert len(list(tmp_path.iterdir())) == 2
        process.send_signal(sent)
        _, told = process.communicate(timeout=PATIENCE_SECONDS)
    assert process.returncode == 128 + sent
    assert told == SAID
    assert list(tmp_path.iterdir()) == []


def test_a_full_pipe_does_not_hold_it_up(tmp_path: Path):
    with started(STUCK, tmp_path) as process:
        assert line_of(process) == "begun\n"
        assert process.stderr is not None
        # Nobody reads, and there is no more room.
        end = os.open(f"/proc/{process.pid}/fd/2", os.O_WRONLY | os.O_NONBLOCK)
        with suppress(BlockingIOError):
            while os.write(end, bytes(4096)):
                pass
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_SECONDS) == 143
        os.close(end)
    assert list(tmp_path.iterdir()) == []


def test_a_second_signal_ends_it_at_once():
    with started(SLOW) as process:
        assert line_of(process) == "begun\n"
        process.send_signal(signal.SIGINT)
        assert line_of(process) == "ending\n"
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=PATIENCE_SECONDS)
    assert process.returncode == 130
    assert told == SAID


def test_signals_that_the_caller_ignores_stay_ignored_and_others_come_back():
    # nohup(1) starts commands so.
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    others = [signal.getsignal(stop) for stop in STOPS]
    try:
        with Stops():
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
            assert signal.getsignal(signal.SIGTERM) not in others
        assert [signal.getsignal(stop) for stop in STOPS] == others
    finally:
        signal.signal(signal.SIGHUP, before)


def test_while_it_loads_it_ends_without_a_word(tmp_path: Path):
    (tmp_path / "click.py").write_text(LOADING, "utf-8")
    places = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[2])])
    process = subprocess.run(
        [sys.executable, "-m", "pipeline", "--version"],
        capture_output=True, text=True, timeout=PATIENCE_SECONDS,
        env=os.environ | {"PYTHONPATH": places},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    assert (process.returncode, process.stdout, process.stderr) == (-signal.SIGINT, "", "")


def test_where_nobody_reads_on_it_ends_as_by_sigpipe():
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline", "convert", "--help"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        told = process.stderr.read()
    assert process.returncode == 141
    assert "Traceback" not in told
    assert "Exception" not in told


@pytest.mark.parametrize(("number", "goes_on"), [(errno.EIO, True), (errno.EPIPE, False)])
def test_a_run_outlives_its_terminal_but_not_its_reader(
    number: int, goes_on: bool, monkeypatch: pytest.MonkeyPatch
):
    def refused(*_words: object, **_options: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(module.click, "echo", refused)
    event = Event("failed", "a.tif", 1, 2, "a.tif: is damaged.")
    if goes_on:
        Talk(verbose=True).listen(event)
    else:
        with pytest.raises(BrokenPipeError):
            Talk(verbose=True).listen(event)
