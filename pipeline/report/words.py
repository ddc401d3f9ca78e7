"""Words and figures of a roll, alike on page, sheets and tables."""

import math
from collections.abc import Mapping

from pipeline.record import FrameRecord, RollRecord
from pipeline.words import printable

MISSING = "\N{EN DASH}"


def figure_text(value: float | None, decimals: int = 2, form: str = "") -> str:
    """Return a figure with so many decimals, a dash where there is none; `form` is of its sign.

    What rounds to nought has no minus.
    """
    known = value is not None and math.isfinite(value)
    return f"{value:{form}z.{decimals}f}" if known else MISSING


def signed_text(value: float | None, decimals: int = 2) -> str:
    """Return a difference with its sign and so many decimals, a dash where there is none."""
    return figure_text(value, decimals, "+")


def share_text(value: float | None) -> str:
    """Return a share as whole percents, a dash where there is none."""
    return figure_text(None if value is None else 100.0 * value, 0)


# Confidence is the probability that a frame is cut right: of ten frames just below this, one is
# cut wrong, which is worth a look.
UNSURE_BELOW = 0.9
UNITS = {"c": "°C", "s": "s", "min": "min", "ml": "ml", "l": "l"}


def is_unsure(frame: FrameRecord) -> bool:
    """Tell whether a frame's edges need a second look: confidence below 0.9, or not a number.

    A blank frame has no edges to look at.
    """
    return frame.kind != "blank" and not frame.confidence >= UNSURE_BELOW


def roll_name(record: RollRecord) -> str:
    """Return 'Roll' with its id as given by the photographer, on one line."""
    return printable(f"Roll {record.roll.get('id') or 'without a name'}")


def batch_items(record: RollRecord) -> tuple[tuple[str, str], ...]:
    """Return name and value of what is noted about the batch of chemistry, the batch first.

    A name that ends in a unit, as in temperature_c, gives that unit to its value.
    """
    batch = record.roll.get("batch") or {}
    if not isinstance(batch, Mapping):
        return (("batch", printable(batch)),)
    items = []
    for key, value in batch.items():
        if value in (None, ""):
            continue
        word, _, suffix = str(key).rpartition("_")
        name, unit = (word, UNITS[suffix]) if word and suffix in UNITS else (str(key), "")
        items.append((printable(name.replace("_", " ")), printable(f"{value} {unit}")))
    items = [("batch" if name == "name" else name, value) for name, value in items]
    return tuple(sorted(items, key=lambda item: item[0] != "batch"))


def roll_text(record: RollRecord) -> str:
    """Return film, speed, camera, lens and date in one line, as far as they are noted."""
    roll = record.roll
    speeds = (("iso", "ISO"), ("exposure_index", "exposed as"))
    words = [
        roll.get("film"),
        *(f"{word} {roll[key]}" for key, word in speeds if roll.get(key)),
        *(roll.get(key) for key in ("camera", "lens", "date")),
    ]
    return ", ".join(printable(word) for word in words if word)
