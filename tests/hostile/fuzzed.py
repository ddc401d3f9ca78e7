"""Bad inputs through the real command, in this process, and what it makes of them."""

import contextlib
import io
import random
import shutil
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.command.cli import main
from tests.hostile.files import Originals, mutated
from tests.hostile.tables import READINGS_CSV

# What the command answers when it stumbles over something that nobody thought of.
_UNTHOUGHT = ("Traceback", "report this as a bug")
_CODES = (0, 1, 2, 3)


@dataclass(frozen=True)
class Answer:
    """What the command made of one input; `taken_mb` is what memory grew by."""

    code: int
    err: str
    seconds: float
    taken_mb: float
    fault: str | None = None


@dataclass
class Fuzzed:
    """What became of bad inputs, added up; `faults` has the number of the input and the reason."""

    count: int = 0
    faults: list[tuple[int, str]] = field(default_factory=list)
    codes: dict[int, int] = field(default_factory=dict)
    kinds: dict[str, int] = field(default_factory=dict)
    taken_mb: float = 0.0
    seconds: float = 0.0


def run_command(words: list[str]) -> Answer:
    """Run the command with its words and return its answer."""
    # With a buffer of bytes below, as what a terminal or a file is written through has it.
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8") for _ in range(2))
    code, fault, began = -1, None, time.monotonic()
    before_mb = _reset_peak()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(words)
        except SystemExit as left:
            code = int(left.code or 0)
        # Anything else is what a user would see as a traceback.
        except BaseException:
            fault = traceback.format_exc()
    said, complained = _written(out), _written(err)
    told = said + complained
    taken_mb = _status_mb("VmHWM:") - before_mb
    fault = fault or _fault(code, complained, told)
    return Answer(code, complained, time.monotonic() - began, taken_mb, fault)


def _written(stream: io.TextIOWrapper) -> str:
    stream.flush()
    buffer = stream.buffer
    return buffer.getvalue().decode("utf-8", "replace") if isinstance(buffer, io.BytesIO) else ""


def _fault(code: int, err: str, told: str) -> str | None:
    if any(word in told for word in _UNTHOUGHT):
        return told
    if code not in _CODES:
        return f"exit code {code}: {told}"
    if code in (2, 3) and not err.rstrip().endswith("."):
        return f"exit code {code} without a sentence: {told}"
    if "\x1b" in told:
        return f"control characters reach the terminal: {told!r}"
    return None


def fuzz_one(originals: Originals, folder: Path, seed: int) -> tuple[str, Answer]:
    """Give the command one bad input; return the kind of file and the answer."""
    dice = random.Random(seed)
    roll = folder / "roll"
    shutil.rmtree(folder, ignore_errors=True)
    roll.mkdir(parents=True)
    ((name, data),) = mutated(originals, dice).items()
    (roll / name).write_bytes(data)
    answer = run_command(_words(originals, roll, name, dice))
    if not answer.code and name == "log.csv":
        answer = run_command(["bath", "show", "spring", "--log", str(roll / "kept.sqlite")])
    left = [path.name for path in folder.rglob(".evenroll-*")]
    if left and not answer.fault:
        answer = Answer(answer.code, answer.err, answer.seconds, answer.taken_mb, f"left {left}")
    return name, answer


def _words(originals: Originals, roll: Path, name: str, dice: random.Random) -> list[str]:
    """Return the command's words that have it read the file of a name in a folder."""
    bad = str(roll / name)
    if name == "log.csv":
        return ["bath", "import", bad, "--log", str(roll / "kept.sqlite")]
    if name == "bath.sqlite":
        rest = dice.choice((["list"], ["show", "spring"], ["export"], ["undo"]))
        return ["bath", *rest, "--log", bad]
    if name == "readings.csv":
        chart = str(roll.parent / f"chart.{dice.choice(('svg', 'png'))}")
        return ["diagnose", bad, *(["--chart", chart] if dice.random() < 0.5 else [])]
    if name == "aim.csv":
        good = roll / "good.csv"
        good.write_text(READINGS_CSV, "utf-8")
        return ["diagnose", str(good), "--aim", bad]
    if name == "roll.json":
        good = roll / "good.json"
        good.write_text(originals.record, "utf-8")
        log = roll / "kept.sqlite"
        log.write_bytes(originals.log)
        add = ["bath", "add-roll", bad, "--log", str(log)]
        return dice.choice((["diagnose", bad], ["diagnose", str(good), "--aim", bad], add))
    words = ["measure", str(roll)]
    if dice.random() < 0.4:
        words = ["convert", str(roll), "-o", str(roll.parent / "out"), "--share-size", "64"]
    if name.endswith(".toml"):
        shutil.copy(originals.good, roll / "good.tif")
    if name == "film.toml":
        words += ["--profile", bad]
    elif name == "scanner.toml":
        words += ["--scanner-profile", bad]
    return [*words, "--workers", "1"]


def fuzz(originals: Originals, folder: Path, seeds: range) -> Fuzzed:
    """Give the command many bad inputs, one a seed, and add up what became of them."""
    total = Fuzzed()
    for seed in seeds:
        kind, answer = fuzz_one(originals, folder, seed)
        total.count += 1
        total.kinds[kind] = total.kinds.get(kind, 0) + 1
        total.codes[answer.code] = total.codes.get(answer.code, 0) + 1
        total.taken_mb = max(total.taken_mb, answer.taken_mb)
        total.seconds = max(total.seconds, answer.seconds)
        if answer.fault:
            total.faults.append((seed, answer.fault))
    return total


def _reset_peak() -> float:
    """Forget the peak of memory so far, and return what is resident now, in MB."""
    # proc(5): 5 written here sets the peak of resident memory to what is resident now.
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", "ascii")
    return _status_mb("VmRSS:")


def _status_mb(name: str) -> float:
    for line in Path("/proc/self/status").read_text("ascii").splitlines():
        if line.startswith(name):
            return int(line.split()[1]) / 1024
    return 0.0
