"""Benchmarks tell what the measured process takes, not what the one that measures holds."""

import json
import subprocess
import sys

import numpy as np
import pytest

from tests.benchmarks.measure import process_cost
from tests.benchmarks.memory import tree_held

_HELD_MB = 400
_NOTHING = (sys.executable, "-S", "-c", "pass")


@pytest.fixture
def held_before() -> None:
    """Hold much memory, and give it back."""
    assert np.ones(_HELD_MB << 20, np.uint8).all()


def test_what_was_held_before_does_not_count_for_a_command(held_before: None) -> None:
    assert process_cost(_NOTHING).memory < _HELD_MB / 4


def test_what_was_held_before_does_not_count_for_a_tree(held_before: None) -> None:
    held = tree_held([*_NOTHING])
    assert held.tree < _HELD_MB / 4
    assert held.code == 0


def test_what_was_held_before_does_not_count_for_a_section(held_before: None) -> None:
    words = "from tests.benchmarks.measure import Section\nwith Section(): pass"
    said = subprocess.run([sys.executable, "-c", words], stdout=subprocess.PIPE, check=True).stdout
    assert json.loads(said)["memory"] < _HELD_MB / 4


def test_a_command_that_fails_is_told() -> None:
    with pytest.raises(RuntimeError, match="failed with 3"):
        process_cost((sys.executable, "-S", "-c", "raise SystemExit(3)"))


def test_what_a_command_holds_counts() -> None:
    much = f"x = bytearray({_HELD_MB << 20}); x[::4096] = bytes(len(x[::4096]))"
    assert process_cost((sys.executable, "-S", "-c", much)).memory > _HELD_MB
