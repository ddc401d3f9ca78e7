import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import settings

from pipeline.command.cli import main
from tests.film_model import FrameSpec, Roll, Scene, cut_roll, scan_strips, write_scan


class Ran(NamedTuple):
    """What a run of the command left: its exit code, stdout and stderr."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]

# A loaded machine makes no test fail, and CI tries the same examples each time.
settings.register_profile("unhurried", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("unhurried")


@pytest.fixture(scope="session", autouse=True)
def no_settings_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep what the person at this machine has set for all rolls out of the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
        yield


@pytest.fixture(scope="session")
def model_roll(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two strips of a model roll: six pictures 11 to 17, 16 is blank."""
    scenes = ("chart", Scene("coffee"), "table", "quay", Scene("coffee", flip=True))
    frames = [*map(FrameSpec, scenes), FrameSpec(kind="blank"), FrameSpec("chart")]
    roll = Roll("film-a", frames, format="135", first_number=11, seed=1)
    folder = tmp_path_factory.mktemp("scans") / "harbour"
    folder.mkdir()
    strips = cut_roll(roll, 4, angles_deg=(0.3, -0.5))
    gains = [(1, 1, 1), (0.9, 0.95, 1)]
    scans = scan_strips(strips, per_scan=1, gains=gains, seed=1, scanner="scanner-a", ppi=160)
    for number, scan in enumerate(scans, 1):
        write_scan(folder, f"strip-{number}", scan)
    return folder


@pytest.fixture
def scans(model_roll: Path, tmp_path: Path) -> Path:
    """Return a copy of the model roll that a test may change."""
    folder = tmp_path / "harbour"
    shutil.copytree(model_roll, folder)
    return folder


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a function that runs the command in this process."""

    def command(*words: object) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main([str(word) for word in words])
        told = capsys.readouterr()
        return Ran(int(left.value.code or 0), told.out, told.err)

    return command


@pytest.fixture(scope="session")
def converted(model_roll: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the output of one whole run over the model roll, with one worker; not to change."""
    out = tmp_path_factory.mktemp("converted") / "out"
    with pytest.raises(SystemExit) as left:
        main(["convert", str(model_roll), "-o", str(out), "--workers", "1"])
    assert left.value.code == 0
    return out


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of all files in a folder but the journal, which holds times."""
    return {
        path.name: path.read_bytes()
        for path in sorted(folder.iterdir())
        if path.is_file() and path.name != ".evenroll.json"
    }


def states(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Return inode, time of change and size of all files in a folder."""
    return {
        path.name: (path.stat().st_ino, path.stat().st_mtime_ns, path.stat().st_size)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
