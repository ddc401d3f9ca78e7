"""Giving memory back: what the system counts goes down, and without the means nothing happens."""

import ctypes
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.heap import give_back

# Blocks below malloc's threshold for maps of their own, each with something small behind it that
# stays: glibc by itself gives none of it back (mallopt(3), M_TRIM_THRESHOLD).
_HOLES = """
from pathlib import Path
from pipeline.heap import give_back
kept, large = [], []
for _ in range(1000):
    large.append(bytearray(100_000)); kept.append(bytearray(1000))
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
large.clear()
before = resident()
give_back()
print(before - resident())
"""


@pytest.mark.skipif(
    not Path("/proc/self/statm").exists() or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="needs glibc",
)
def test_memory_between_what_stays_is_given_back():
    ran = subprocess.run([sys.executable, "-c", _HOLES], capture_output=True, text=True, check=True)
    assert int(ran.stdout) > 50_000_000


def test_the_system_is_asked_once_for_all_there_is(monkeypatch):
    trimmed: list[int] = []
    monkeypatch.setattr(ctypes, "CDLL", lambda _: SimpleNamespace(malloc_trim=trimmed.append))
    give_back()
    assert trimmed == [0]


@pytest.mark.parametrize("without", [OSError, AttributeError, TypeError])
def test_another_allocator_is_left_alone(without, monkeypatch):
    asked: list[object] = []

    def library(name: object) -> object:
        asked.append(name)
        raise without

    monkeypatch.setattr(ctypes, "CDLL", library)
    give_back()
    assert asked == [None]
