"""Runs killed at random moments, and what they leave.

A small roll stands in the output folder, converted with other settings. A run converts it anew
and is killed at a random moment, half of them while files are written; half of them by SIGKILL,
the others by SIGTERM, SIGINT or SIGHUP. Then every file under its final name must be, byte for
byte, that of the one run or that of the other, and open whole; an undisturbed rerun must end in
the bytes of a run that nobody killed, with nothing left over.
"""

import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import time
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from multiprocessing.context import ForkServerProcess as Process
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import numpy as np
import tifffile
from PIL import Image

from pipeline.command.cli import main as evenroll
from pipeline.roll.journal import JOURNAL_NAME
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan, write_scan

with warnings.catch_warnings():
    # It warns that it can't draw without a plotting library; imported once for all runs.
    warnings.simplefilter("ignore")
    import colour  # noqa: F401

# Seen from outside: what a run may leave besides its files is named alike.
LEFTOVERS = ".evenroll-*", ".evenroll.lock"
ASKING = signal.SIGTERM, signal.SIGINT, signal.SIGHUP
SIGNALS = (*[signal.SIGKILL] * 3, *ASKING)
OTHER_SETTINGS = ("--exposure", "0.5")
PATIENCE_SECONDS = 300.0


def small_roll(folder: Path) -> Path:
    """Write a roll of one strip with three pictures, and return its folder."""
    frames = [FrameSpec("chart"), FrameSpec("coffee"), FrameSpec("table")]
    strip = StripSpec(Roll("film-a", frames, format="135", first_number=11, seed=5), 0, 3)
    folder.mkdir(parents=True)
    write_scan(folder, "strip-1", make_scan([strip], scanner="scanner-a", ppi=150, seed=5))
    return folder


def _command(words: Sequence[str], folder: str) -> None:
    """Run the command in this process, with what it tells going to files in a folder."""
    for name, stream in (("out", sys.stdout), ("err", sys.stderr)):
        with (Path(folder) / f"{os.getpid()}.{name}").open("w") as file:
            os.dup2(file.fileno(), stream.fileno())
    signal.signal(signal.SIGINT, signal.default_int_handler)
    evenroll(list(words))


class Command:
    """Starts the command in processes that have its imports already."""

    def __init__(self, told: Path) -> None:
        self._told = told
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(["tests.hostile.killed", "pipeline.roll.convert"])

    def start(self, scans: Path, out: Path, *options: str) -> Process:
        """Start to convert scans into a folder."""
        words = ("convert", str(scans), "-o", str(out), "--reference", "none", *options)
        process = self._context.Process(target=_command, args=(words, str(self._told)))
        process.start()
        return process

    def told(self, process: Process) -> str:
        """Return what a process told on stderr so far."""
        path = self._told / f"{process.pid}.err"
        return path.read_text("utf-8") if path.exists() else ""

    def finish(self, process: Process) -> int:
        """Wait for a process and return its exit code, negative for a signal."""
        process.join(PATIENCE_SECONDS)
        if process.exitcode is None:
            process.kill()
            process.join()
            raise TimeoutError(f"no end after {PATIENCE_SECONDS} s: {self.told(process)}")
        return process.exitcode


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of all files with a final name, without the journal, which holds times."""
    return {
        path.name: path.read_bytes()
        for path in sorted(folder.iterdir())
        if path.name != JOURNAL_NAME and not _is_leftover(path)
    }


def _is_leftover(path: Path) -> bool:
    return any(path.match(pattern) for pattern in LEFTOVERS)


def opens_whole(path: Path) -> bool:
    """Tell whether a file is complete, as the reader of its own format sees it."""
    try:
        if path.suffix == ".tif":
            return bool(np.isfinite(tifffile.imread(path)).all())
        if path.suffix in (".jpg", ".png"):
            with Image.open(path) as picture:
                picture.load()
        elif path.suffix == ".xmp":
            ElementTree.fromstring(path.read_text("utf-8"))
        elif path.suffix == ".json":
            json.loads(path.read_text("utf-8"))
        else:
            text = path.read_text("utf-8")
            html5lib.parse(text)
            return text.rstrip().endswith("</html>")
    # Whatever a reader raises, the file is not what it should be.
    except Exception:
        return False
    return True


@dataclass
class Killed:
    """What became of runs that were killed, added up."""

    kills: int = 0
    midway: int = 0
    broken: list[str] = field(default_factory=list)
    differing: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    codes: Counter[int] = field(default_factory=Counter)
    tracebacks: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)


class KillableRoll:
    """A roll, its two undisturbed conversions, and runs between them that are killed.

    It is a small one if no `scans` are given.
    """

    def __init__(self, folder: Path, scans: Path | None = None) -> None:
        self.scans = scans or small_roll(folder / "roll")
        (folder / "told").mkdir()
        self.command = Command(folder / "told")
        self.out = folder / "out"
        self._start = folder / "start"
        self.whole = folder / "whole"
        for place, options in ((self._start, OTHER_SETTINGS), (self.whole, ())):
            # The first of all has caches to fill, so the second one's time counts.
            self.seconds, self.first_file = self._undisturbed(place, options)
        self.before, self.after = contents(self._start), contents(self.whole)

    def _undisturbed(self, out: Path, options: Sequence[str]) -> tuple[float, float]:
        """Convert; return the seconds it took and those to the first file."""
        began, first = time.monotonic(), 0.0
        process = self.command.start(self.scans, out, *options)
        while process.exitcode is None:
            process.join(0.005)
            if not first and any(out.glob("*.tif")):
                first = time.monotonic() - began
        if process.exitcode != 0:
            raise RuntimeError(self.command.told(process))
        return time.monotonic() - began, first

    def kill_once(self, dice: random.Random, killed: Killed) -> None:
        """Kill one run at a random moment, hold what is there to account, and run again."""
        shutil.rmtree(self.out, ignore_errors=True)
        shutil.copytree(self._start, self.out)
        while_writing = dice.random() < 0.5
        moment = dice.uniform(
            0.0, self.seconds - self.first_file if while_writing else self.seconds
        )
        sent = dice.choice(SIGNALS)
        process = self.command.start(self.scans, self.out)
        if while_writing:
            self._await_writing(process)
        process.join(moment)
        if process.exitcode is None:
            os.kill(process.pid or 0, sent)
        began = time.monotonic()
        code = self.command.finish(process)
        if code in [128 + asked for asked in ASKING]:
            killed.seconds.append(time.monotonic() - began)
        killed.kills += 1
        killed.codes[code] += 1
        told = self.command.told(process)
        if "Traceback" in told:
            killed.tracebacks.append(told)
        self._judge(code, killed)
        self._rerun(killed)

    def _await_writing(self, process: Process) -> None:
        """Wait until a run begins to write."""
        while process.exitcode is None and not list(self.out.glob(".evenroll.lock")):
            process.join(0.002)

    def _judge(self, code: int, killed: Killed) -> None:
        """Look at every file that a killed run left."""
        found = contents(self.out)
        known = [(self.before.get(name), self.after.get(name)) for name in found]
        for (name, data), either in zip(found.items(), known, strict=True):
            if data not in either or not opens_whole(self.out / name):
                killed.broken.append(name)
        if not opens_whole(self.out / JOURNAL_NAME):
            killed.broken.append(JOURNAL_NAME)
        new = [name for name, data in found.items() if data == self.after.get(name)]
        old = [name for name, data in found.items() if data == self.before.get(name)]
        killed.midway += bool(set(new) - set(old)) and bool(set(old) - set(new))
        # Asked to end, a run clears up after itself; killed, it can't.
        if code != -signal.SIGKILL:
            killed.left += [path.name for path in self.out.iterdir() if _is_leftover(path)]

    def _rerun(self, killed: Killed) -> None:
        """Run again undisturbed; it must end as if nothing had been."""
        code = self.command.finish(self.command.start(self.scans, self.out))
        found = contents(self.out)
        if code or found != self.after:
            names = [n for n in found.keys() | self.after if found.get(n) != self.after.get(n)]
            killed.differing.append(f"exit code {code}: {', '.join(sorted(names))}")
        killed.left += [path.name for path in self.out.iterdir() if _is_leftover(path)]
