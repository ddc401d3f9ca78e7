"""The rule of the rooms: which may look into which, by what door, and that no circle is there."""

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "pipeline"
ROOMS = sorted(folder.name for folder in PACKAGE.iterdir() if (folder / "__init__.py").exists())

# A room may look into these. All may look into the hall, pipeline/*.py, which looks into none.
ARROWS: Mapping[str, str] = {
    "profile": "",
    "settings": "",
    "record": "",
    "scan": "",
    "strip": "profile",
    "chart": "profile",
    "dust": "scan",
    "control": "profile record",
    "bath": "profile record",
    "write": "profile settings record",
    "edge": "profile scan strip",
    "frame": "profile strip",
    "survey": "profile settings scan strip edge frame chart dust",
    "numbering": "profile settings record edge survey",
    "colour": "profile settings frame chart survey",
    "densities": "profile settings record strip chart survey colour",
    "render": "profile settings scan strip dust colour",
    "diagnosis": "profile settings record control bath survey densities",
    "report": "profile record control bath densities",
    "roll": "profile settings record scan strip frame chart dust survey numbering colour render "
    "write densities diagnosis report",
    "review": "profile settings record scan strip survey colour render report roll",
    "command": "profile settings record scan control bath diagnosis report roll review",
}


@dataclass(frozen=True)
class Taken:
    """One import: by which file and room (the hall is ""), from which room, module and name."""

    where: str
    room: str
    other: str
    module: str | None
    name: str


def imports_of(source: str, where: str, room: str) -> Iterator[Taken]:
    """Yield all that a file takes from this package, wherever in the file it is imported."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            dotted = [(alias.name, "") for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            dotted = [(node.module or "", alias.name) for alias in node.names]
        else:
            continue
        for module, name in dotted:
            package, *parts = (*module.split("."), name) if name else module.split(".")
            if package == "pipeline" and parts[0] in ROOMS:
                inner = ".".join(parts[1:-1]) or None
                yield Taken(where, room, parts[0], inner, parts[-1] if len(parts) > 1 else "")


def door_of(room: str) -> frozenset[str]:
    """Return the names that a room's door lists."""
    stub = PACKAGE / room / "__init__.pyi"
    tree = ast.parse(stub.read_text("utf-8")) if stub.exists() else ast.Module([], [])
    return frozenset(
        alias.asname or alias.name
        for node in tree.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    )


def broken(taken: Taken) -> str | None:
    """Return what is wrong with an import, None where it keeps the rule."""
    if taken.room == taken.other:
        return None
    told = f"{taken.where}: {taken.room or 'the hall'} looks into {taken.other}"
    # The command's entry point is its door.
    if taken.where == "__main__.py":
        return None
    if taken.other not in ARROWS.get(taken.room, "").split():
        return f"{told}, which is no arrow of the house"
    if taken.module is not None or taken.name not in door_of(taken.other):
        name = ".".join(part for part in (taken.module, taken.name) if part)
        return f"{told} for {name}, which its door does not list"
    return None


def all_imports() -> Iterator[Taken]:
    """Yield every import of the package."""
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE)
        room = inside.parts[0] if len(inside.parts) > 1 else ""
        yield from imports_of(path.read_text("utf-8"), str(inside), room)


def test_every_room_has_its_arrows():
    assert sorted(ARROWS) == ROOMS


def test_no_room_looks_where_it_may_not():
    assert [said for taken in all_imports() if (said := broken(taken)) is not None] == []


def test_the_rooms_stand_in_no_circle():
    arrows = {room: set(others.split()) for room, others in ARROWS.items()}
    order = list(TopologicalSorter(arrows).static_order())
    assert sorted(order) == ROOMS


def test_no_file_of_a_room_stands_in_a_circle():
    graph: dict[str, set[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        room = path.parent.name
        if room not in ROOMS:
            continue
        needs = graph.setdefault(f"{room}.{path.stem}", set())
        for taken in imports_of(path.read_text("utf-8"), path.name, room):
            if taken.other == room and taken.module:
                needs.add(f"{room}.{taken.module}")
    list(TopologicalSorter(graph).static_order())


@pytest.mark.parametrize("room", sorted(set(ROOMS) - {"command"}))
def test_a_door_lists_only_what_others_take(room):
    taken = {each.name for each in all_imports() if each.other == room and each.room != room}
    assert door_of(room) == taken


@pytest.mark.parametrize(
    ("source", "room", "said"),
    [
        ("from pipeline.roll import survey_roll", "scan", "no arrow"),
        ("def late():\n    from pipeline.report import page", "colour", "no arrow"),
        ("import pipeline.strip", "", "no arrow"),
        ("from pipeline import command", "roll", "no arrow"),
        ("from pipeline.strip import no_such_name", "edge", "door does not list"),
        ("from pipeline.strip.base import measure_base", "edge", "door does not list"),
    ],
)
def test_a_planted_arrow_is_refused(source, room, said):
    (taken,) = imports_of(source, "planted.py", room)
    told = broken(taken)
    assert told is not None
    assert said in told


def test_what_the_rule_allows_is_let_pass():
    (taken,) = imports_of("from pipeline.strip import measure_base", "planted.py", "frame")
    assert broken(taken) is None or "door" in str(broken(taken))


def test_the_hall_holds_only_what_knows_no_film():
    assert len(list(PACKAGE.glob("*.py"))) <= 18
