"""Runs that are told to end at random moments: how long they take to, and what they leave."""

import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import imagecodecs
import tifffile

from tests.benchmarks.scans import made_once, roll_folder

_EVENROLL = (sys.executable, "-m", "pipeline")
_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_PATIENCE_SECONDS = 120.0


@dataclass(frozen=True)
class Ended:
    """A run that was told to end: after how long it did, how, and what it left lying about."""

    seconds: float
    code: int
    left: tuple[str, ...]


def stop_folders(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield folders of one strip each, of rising size and in files that decode in one go."""
    for ppi in (1600.0, 3200.0, 4800.0):
        yield f"TIFF, {ppi:g} ppi", roll_folder(folder, ppi, 6)
    (plain,) = roll_folder(folder, 3200.0, 6).glob("*.tif")

    def png(part: Path) -> None:
        codes = tifffile.imread(plain)
        (part / "strip-1.png").write_bytes(imagecodecs.png_encode(codes, level=1))

    def jpeg(part: Path) -> None:
        codes = (tifffile.imread(plain) >> 8).astype("u1")
        (part / "strip-1.jpg").write_bytes(imagecodecs.jpeg8_encode(codes, level=95))

    yield "PNG, 3200 ppi", made_once(folder / "png-6-3200", png)
    yield "JPEG, 3200 ppi", made_once(folder / "jpeg-6-3200", jpeg)


def ended_at(words: Sequence[str | Path], out: Path, moment: float, sent: int) -> Ended | None:
    """Start the command, tell it to end after so many seconds; None if it had ended by then."""
    command = [*_EVENROLL, *map(str, words)]
    quiet = subprocess.DEVNULL
    run = subprocess.Popen(
        command, stdout=quiet, stderr=quiet,
        # In a group of its own, by which what it leaves running is found.
        start_new_session=True,
        # A shell hands "ignored" on to what it starts in the background.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        run.wait(moment)
        return None
    except subprocess.TimeoutExpired:
        pass
    began = time.monotonic()
    run.send_signal(sent)
    run.wait(_PATIENCE_SECONDS)
    seconds = time.monotonic() - began
    files = [path.name for path in out.glob(".evenroll*") if path.name != ".evenroll.json"]
    return Ended(seconds, run.returncode, (*files, *_still_running(run.pid)))


def _still_running(group: int) -> Iterator[str]:
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return
    yield "a process"


def stopped(scans: Path, times: int, dice: random.Random) -> list[Ended]:
    """Convert a folder that often, each run told to end at a random moment of it."""
    ended: list[Ended] = []
    with tempfile.TemporaryDirectory(dir=scans.parent) as folder:
        out = Path(folder) / "out"
        words = ("convert", scans, "-o", out, "--workers", "2")
        began = time.monotonic()
        subprocess.run([*_EVENROLL, *words], stdout=subprocess.DEVNULL, check=True)
        whole = time.monotonic() - began
        while len(ended) < times:
            again = Path(folder) / f"out-{len(ended)}"
            words = ("convert", scans, "-o", again, "--workers", "2")
            found = ended_at(words, again, dice.uniform(0.0, whole), dice.choice(_SIGNALS))
            if found is not None:
                ended.append(found)
    return ended


def stop(folder: Path, rounds: int) -> None:
    """Runs told to end at random moments: seconds until they do, and what they leave."""
    dice = random.Random(0)
    for name, scans in stop_folders(folder):
        ended = stopped(scans, 5 * rounds, dice)
        seconds = [each.seconds for each in ended]
        codes = dict(sorted(Counter(each.code for each in ended).items()))
        left = dict(sorted(Counter(name for each in ended for name in each.left).items()))
        print(
            f"{name:16} median {statistics.median(seconds):5.2f} s, worst {max(seconds):5.2f} s, "
            f"exit codes {codes}, left {left or 'nothing'}",
            flush=True,
        )
