"""README and DEVELOPERS against the code: what they name is there, what they show works."""

import importlib.util
import re
import shlex
from pathlib import Path

import click
import pytest

from pipeline.bath.batch import Batch, Use, columns
from pipeline.command.cli import evenroll
from pipeline.settings.settings import RollNotes, Settings, read_roll_file, with_changes

ROOT = Path(__file__).parents[1]
DOCUMENTS = {name: (ROOT / name).read_text("utf-8") for name in ("README.md", "DEVELOPERS.md")}
README, DEVELOPERS = DOCUMENTS.values()
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
FOLDERS = ("pipeline", "profiles", "tests", "sample_scans", ".ci")


def blocks(text: str, kind: str) -> list[str]:
    return [body for name, body in BLOCK.findall(text) if name == kind]


def shown_commands(text: str) -> list[str]:
    """Return all calls of the command: in blocks of shell, and in the running text."""
    lines = [line for body in blocks(text, "sh") for line in body.splitlines()]
    lines = [part.strip() for line in lines for part in line.split("&&")]
    lines += re.findall(r"`(evenroll [a-z][^`]*)`", BLOCK.sub("", text))
    return [line for line in lines if re.match(r"(\S*/)?evenroll ", line)]


def options(group: click.Group = evenroll) -> set[str]:
    found = {"--help", "--version"}
    for command in group.commands.values():
        if isinstance(command, click.Group):
            found |= options(command)
        found |= {word for each in command.params for word in (*each.opts, *each.secondary_opts)}
    return found


def test_commands_are_found():
    assert len(shown_commands(README)) > 10


@pytest.mark.parametrize("line", [c for text in DOCUMENTS.values() for c in shown_commands(text)])
def test_every_command_that_is_shown_is_one(line: str):
    """Words in capitals stand for the user's, what is in brackets may be left out."""
    command: click.Command = evenroll
    words = shlex.split(line.replace("...", ""), comments=True)[1:]
    while isinstance(command, click.Group) and words:
        if words[0] in ("COMMAND", "--help"):
            return
        command = command.commands[words.pop(0)]
    # Running text names a command without all that it needs.
    command.make_context("evenroll", words, resilient_parsing=True)
    known = {word for each in command.params for word in (*each.opts, *each.secondary_opts)}
    given = {word for word in words if word.startswith("-")}
    assert given <= known | {"--help"}


def test_every_option_in_the_readme_is_one():
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", BLOCK.sub("", README)))
    assert len(named) > 30
    # Those of the commands that print how good something is.
    assert named - options() <= {"--equations"}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_file_that_is_named_is_there(name: str):
    there = {
        path.relative_to(ROOT).as_posix()
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("*")
    }
    ours = rf"`((?:(?:{'|'.join(FOLDERS)})/)[\w./-]*|[\w/]+\.py)`"
    found = re.findall(ours, DOCUMENTS[name])
    assert found
    absent = [
        word
        for word in found
        if "NAME" not in word
        and not any(f"/{path}".endswith(f"/{word.rstrip('/')}") for path in (*there, *FOLDERS))
    ]
    assert not absent


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_module_that_is_run_is_there(name: str):
    modules = set(re.findall(r"python -m ([a-z_.]+)", DOCUMENTS[name])) - {"venv"}
    assert modules
    assert not [module for module in modules if importlib.util.find_spec(module) is None]


def test_every_room_has_its_row():
    rows = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \|", DEVELOPERS, re.MULTILINE)
    named = {room for row in rows for room in re.findall(r"\w+", row)}
    rooms = {path.parent.name for path in (ROOT / "pipeline").glob("*/__init__.py")}
    assert named == rooms


@pytest.mark.parametrize("text", blocks(README, "toml"))
def test_every_example_of_a_roll_file_is_read(text: str, tmp_path: Path):
    path = tmp_path / "roll.toml"
    path.write_text(text, "utf-8")
    notes, changes = read_roll_file(path)
    assert notes.other == {}
    assert (notes, with_changes(Settings(), changes, path)) != (RollNotes(), Settings())


def test_every_column_of_the_log_is_one():
    part = README[README.index("lose nothing. A line is a batch or a roll:") :]
    table = part[: part.index("\n## ")]
    named = set(re.findall(r"`([a-z_]+)`", "".join(re.findall(r"^\| ([^|]*) \|", table, re.M))))
    known = {"kind", "batch", *columns(Batch), *columns(Use)}
    assert named <= known
    left_out = {name for name in known - named if not name.startswith(("base", "contrast", "edge"))}
    # The batch's name stands under `batch`.
    assert left_out == {"name"}
