"""The manual on a terminal, and the shells' completion as the manual tells it."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import Run

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def answered(shell: str, words: str, place: str) -> str:
    """Return what the command tells a shell that asks how words go on."""
    asked = {"_EVENROLL_COMPLETE": f"{shell}_complete", "COMP_WORDS": words, "COMP_CWORD": place}
    code = "from pipeline.command.cli import main; main()"
    ran = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | asked, text=True, capture_output=True
    )
    assert ran.stderr == ""
    return ran.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_as_the_manual_tells_it(shell: str, run: Run, monkeypatch: pytest.MonkeyPatch):
    (name,) = re.findall(rf"_EVENROLL_COMPLETE=({shell}_source) evenroll", README)
    monkeypatch.setenv("_EVENROLL_COMPLETE", name)
    script = run().out
    assert "_evenroll_completion" in script
    assert f"{shell}_complete" in script
    assert "convert" in answered(shell, "evenroll con", "con" if shell == "fish" else "1")


def test_values_are_completed_whatever_stands_before_them():
    words = "evenroll convert --archive none --archive-size 900 --look "
    assert answered("bash", words, "7").split() == ["plain,print", "plain,log", "plain,linear"]


@pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash")
def test_bash_takes_the_line_of_the_manual(tmp_path: Path):
    (line,) = re.findall(r"`(eval \"\$\(_EVENROLL_COMPLETE=bash_source evenroll\)\")`", README)
    command = tmp_path / "evenroll"
    code = "from pipeline.command.cli import main; main()"
    command.write_text(f"#!/bin/sh\nexec {sys.executable} -c '{code}' \"$@\"\n")
    command.chmod(0o755)
    asked = (
        f"{line}; COMP_WORDS=(evenroll bath mi); COMP_CWORD=2; _evenroll_completion evenroll; "
        'echo "${COMPREPLY[@]}"'
    )
    path = f"{tmp_path}{os.pathsep}{os.environ['PATH']}"
    ran = subprocess.run(
        ["bash", "-c", asked], env=os.environ | {"PATH": path}, text=True, capture_output=True
    )
    assert ran.stdout.split() == ["mix"], ran.stderr


def test_the_manual_lists_its_parts_and_shows_one(run: Run):
    parts = run("help")
    assert (parts.code, "  How to scan" in parts.out.splitlines()) == (0, True)
    shown = run("help", "how", "scan")
    assert shown.out.startswith("How to scan\n\n- 16 bits a channel")
    assert "## " not in shown.out
    wrong = run("help", "teapot")
    assert (wrong.code, "the manual has no part 'teapot'" in wrong.err) == (2, True)


def test_options_of_convert_stand_in_groups_and_all_are_told(run: Run):
    from pipeline.command.cli import convert

    told = run("convert", "--help").out
    heads = [line for line in told.splitlines() if line.endswith(":") and line[0] != " "]
    groups = ["Options:", "Scans and film:", "How pictures look:", "Files written:"]
    assert heads == [*groups, "How it runs:"]
    for option in convert.params:
        assert option.param_type_name == "argument" or option.opts[-1] in told
