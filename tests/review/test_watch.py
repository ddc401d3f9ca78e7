import shutil
import sys
import threading
import time
from contextlib import contextmanager

import pytest

from pipeline.review.watch import watch

STILL_SECONDS = 0.4


@pytest.fixture(autouse=True)
def hasty(monkeypatch):
    """Have files count as still sooner; what is slept here goes by that time."""
    module = sys.modules[watch.__module__]
    monkeypatch.setattr(module, "_STILL_SECONDS", STILL_SECONDS)
    monkeypatch.setattr(module, "_LOOK_MS", 100)


@contextmanager
def watched(folder):
    came, stop = [], threading.Event()
    thread = threading.Thread(target=watch, args=(folder, lambda: came.append(1), stop))
    thread.start()
    time.sleep(0.5)
    try:
        yield came
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def waited(came, count, seconds=30.0):
    end = time.monotonic() + seconds
    while len(came) < count and time.monotonic() < end:
        time.sleep(0.05)
    return len(came)


def test_a_scan_is_taken_in_when_it_is_whole_and_not_before(model_roll, tmp_path):
    source = (model_roll / "strip-1.tif").read_bytes()
    with watched(tmp_path) as came:
        with (tmp_path / "strip-1.tif").open("wb") as file:
            for place in range(0, len(source), len(source) // 6):
                file.write(source[place : place + len(source) // 6])
                file.flush()
                time.sleep(STILL_SECONDS / 3)
                assert came == []
        assert waited(came, 1) == 1
        (tmp_path / "notes.txt").write_text("no scan", "utf-8")
        time.sleep(2.5 * STILL_SECONDS)
        assert len(came) == 1


def test_a_pause_in_the_middle_of_writing_is_waited_for(model_roll, tmp_path):
    source = (model_roll / "strip-1.tif").read_bytes()
    with watched(tmp_path) as came:
        with (tmp_path / "strip-1.tif").open("wb") as file:
            file.write(source[: len(source) // 2])
            file.flush()
            time.sleep(3.0 * STILL_SECONDS)
            assert came == []
            file.write(source[len(source) // 2 :])
        assert waited(came, 1) == 1


def test_a_scan_that_goes_is_told_as_well(model_roll, tmp_path):
    shutil.copy(model_roll / "strip-1.tif", tmp_path)
    with watched(tmp_path) as came:
        (tmp_path / "strip-1.tif").unlink()
        assert waited(came, 1) == 1
