"""Every option of every command changes something, or is refused, against the run without it."""

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

import click
import numpy as np
import pytest
import tifffile

from pipeline.bath.batch import Batch, Use
from pipeline.bath.log import BathLog
from pipeline.command.cli import evenroll
from tests.bath.test_exchange import written
from tests.conftest import Run, contents
from tests.film_model import FrameSpec, Roll, Scene, StripSpec, make_scan, write_scan

READINGS = """strip,patch,red,green,blue
aim,d-min,0.23,0.62,0.90
aim,ld,0.75,1.16,1.42
aim,hd,1.58,2.04,2.43
1,d-min,0.23,0.62,0.90
1,ld,0.66,1.06,1.31
1,hd,1.48,1.94,2.33
"""
# How each command is called, the options tried being put behind.
CALLS: dict[str, tuple[str, ...]] = {
    "convert": ("roll", "-o", "out", "--archive", "none", "--share-size", "48"),
    "split": ("roll", "-o", "out"),
    "measure": ("roll",),
    "diagnose": ("roll",),
    "profile fit": ("roll", "-o", "made.toml", "--reference", "01"),
    "bath mix": ("autumn",), "bath change": ("spring",), "bath use": ("spring", "09"),
    "bath add-roll": ("roll.json",), "bath list": (), "bath show": ("spring",),
    "bath remove": ("spring", "01"), "bath undo": (), "bath import": ("entries.csv",),
    "bath export": (),
}  # fmt: skip
# What is called instead where an option says nothing there.
INSTEAD: dict[tuple[str, str], tuple[str, ...]] = {
    ("convert", "archive"): CALLS["split"], ("convert", "archive_space"): CALLS["split"],
    ("convert", "archive_size"): CALLS["split"], ("convert", "archive_packing"): CALLS["split"],
    ("convert", "share_size"): ("roll", "-o", "out", "--archive", "none"),
    ("profile fit", "reference"): CALLS["profile fit"][:3],
    ("diagnose", "aim"): ("readings.csv",),
}  # fmt: skip
VALUES: dict[str, tuple[str, ...]] = {
    "format": ("135-half",), "ppi": ("140",), "scan_gamma": ("1.2",), "base": ("0.3,0.7,0.9",),
    "profile": ("monochrome",), "scanner_profile": ("narrow-band",), "reference": ("none",),
    "first_number": ("21",), "roll_name": ("other",), "look": ("log",), "exposure": ("0.5",),
    "balance": ("0.1,0,0",), "black": ("0.1",), "white": ("0.8",), "gamma": ("1.4",),
    "inset_mm": ("1",), "border_mm": ("1",), "dust": ("off",), "archive": ("none",),
    "archive_space": ("srgb",), "archive_size": ("40",), "archive_packing": ("none",),
    "share": ("png",), "share_size": ("40",), "share_quality": ("50",), "only": ("02",),
    "workers": ("300",), "cluster": ("nowhere",), "base_scan": ("clear.tif",), "out": ("no/x",),
    "readings": ("readings.csv",), "aim": ("aim.csv",), "chart": ("chart.svg",), "name": ("mine",),
    "bath_log": ("log.sqlite",), "log": ("other.sqlite",), "mixed": ("2025-05-01",),
    "volume_ml": ("900",), "life_rolls": ("8",), "life_days": ("20",), "temperature_c": ("38.5",),
    "time_s": ("3:30",), "compensation_percent_per_roll": ("2",), "notes": ("left shelf",),
    "developed": ("2025-05-02",), "film": ("B",), "rolls": ("0.5",), "rolls_before": ("3",),
    "edge_print": ("0.7",), "contrast": ("0.6",), "turn": ("90",),
}  # fmt: skip
OTHER_VALUES = {("profile fit", "reference"): ("01",)}


class Left(NamedTuple):
    """What a run left: exit code, words, and files."""

    code: int
    out: str
    err: str
    files: dict[str, bytes]


def commands(group: click.Group = evenroll, path: str = "") -> Iterator[tuple[str, click.Command]]:
    for name, each in group.commands.items():
        if isinstance(each, click.Group):
            yield from commands(each, f"{path}{name} ")
        else:
            yield f"{path}{name}", each


def options(command: click.Command) -> list[click.Option]:
    return [each for each in command.params if isinstance(each, click.Option)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a roll (chart, picture, blank, dust, a damaged scan), and files."""
    frames = [FrameSpec("chart"), FrameSpec(Scene("coffee", gain=0.4)), FrameSpec(kind="blank")]
    roll = Roll("film-a", frames, edge_print=False, tail_mm=20.0)
    scan = make_scan([StripSpec(roll, 0, 3)], ppi=120, infrared=True, dust_count=20)
    folder = tmp_path_factory.mktemp("options")
    write_scan(folder / "roll", "strip", scan, truth=False)
    (folder / "roll" / "broken.tif").write_bytes(b"")
    notes = '[[frames]]\nnumber = "22"\ndrop = true\n[batch]\nname = "spring"\n'
    (folder / "roll" / "roll.toml").write_text(notes, "utf-8")
    level = np.full((40, 60, 3), (40000, 22000, 9000), np.uint16)
    tifffile.imwrite(folder / "clear.tif", level, photometric="rgb")
    (folder / "readings.csv").write_text(READINGS, "utf-8")
    (folder / "aim.csv").write_text(READINGS.replace("0.75", "0.70"), "utf-8")
    (folder / "entries.csv").write_text("kind,batch,volume_ml\nbatch,spring,500\n", "utf-8")
    worn = [
        Use("spring", f"{n:02d}", film="A", edge_print=tuple(g * 0.98**n for g in (0.7, 0.8, 0.9)))
        for n in range(9)
    ]
    written(folder)
    batch = Batch("spring", date(2025, 5, 3), life_rolls=16.0, time_s=195.0)
    BathLog(folder / "log.sqlite").write([batch, *worn], "new")
    return folder


@pytest.fixture
def left(made: Path, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch):
    """Return a function that runs a command among those files, and tells what it left of them."""
    monkeypatch.setenv("EVENROLL_BATH_LOG", "log.sqlite")
    # Nobody answers there, however long that is waited for.
    monkeypatch.setattr("pipeline.roll.machines._CONNECT_SECONDS", 0.5)
    places = iter(range(1000))

    def command(*words: str, before: tuple[str, ...] = ()) -> Left:
        # Elsewhere each time, and from there all names are alike.
        place = tmp_path / f"{next(places)}"
        shutil.copytree(made, place)
        monkeypatch.chdir(place)
        if before:
            run(*before)
            for picture in Path("out").glob("*_01.*"):
                picture.write_bytes(picture.read_bytes() + b"\n")
        ran = run(*words)
        files = {f"{f}/{n}": data for f in (".", "out") for n, data in there(place / f).items()}
        if words[0] == "bath":
            files = {name: data for name, data in files.items() if not name.endswith(".sqlite")}
            files["log"] = run("bath", "export").out.encode()
        return Left(ran.code, ran.out, ran.err, files)

    return command


def there(folder: Path) -> dict[str, bytes]:
    return contents(folder) if folder.is_dir() else {}


def test_every_command_with_options_is_walked():
    walked = {path for path, command in commands() if options(command)}
    # It goes on until it is told to end; see tests/command/test_review.py.
    assert walked - {"review"} == set(CALLS)


@pytest.mark.parametrize("path", CALLS)
def test_every_option_changes_something_or_is_refused(path: str, left):
    plain: dict[tuple[str, ...], Left] = {}
    for option in options(dict(commands())[path]):
        name = str(option.name)
        # With files already there that somebody changed, what of them is made anew.
        before = (path, *CALLS[path]) if name == "replace_changed" else ()
        call = (*path.split(), *INSTEAD.get((path, name), CALLS[path]))
        key = (*call, *before)
        if key not in plain:
            plain[key] = left(*call, before=before)
        value = OTHER_VALUES.get((path, name), VALUES.get(name, ()))
        tried = left(*call, option.opts[-1], *value, before=before)
        assert tried != plain[key], (path, name, tried.err)
        assert "Traceback" not in tried.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("split", "x", "-o", "y", "--look", "log"),
         "'evenroll split' has no option --look; leave it out, it belongs to 'evenroll review' "
         "and 'evenroll convert'."),
        (("measure", "x", "--only", "07"),
         "'evenroll measure' has no option --only; leave it out, it belongs to 'evenroll convert' "
         "and 'evenroll split'."),
        (("diagnose", "x", "--reference", "07"), "'evenroll diagnose' has no option --reference; "),
        (("convert", "x", "-o", "y", "--archive", "none", "--archive-size", "900"),
         "--archive-size does nothing beside --archive none; leave one of them out."),
        (("convert", "x", "-o", "y", "--look", "linear", "--archive-space", "srgb"),
         "--archive-space does nothing beside --look linear; "),
        (("convert", "x", "-o", "y", "--share", "png", "--share-quality", "90"),
         "--share-quality does nothing beside --share png; "),
        (("measure", "x", "--json", "--csv"), "--csv does nothing beside --json; "),
        (("measure", "x", "--workers", "2", "--cluster", "y"), "--workers does nothing beside "),
        (("measure", "x", "--workers", "0"), "--workers: 0 is not in the range 1<=x<=256; look "),
    ],
)  # fmt: skip
def test_what_does_nothing_is_refused_in_one_sentence(words, told, run: Run):
    ran = run(*words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(told)
    assert len(ran.err.splitlines()) == 1


def test_help_shows_what_a_command_has(run: Run):
    for path, command in commands():
        shown = run(*path.split(), "--help").out
        for option in options(command):
            assert option.opts[-1] in shown, (path, option.name)
