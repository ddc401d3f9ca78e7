"""Words for people: text on one line, counts with their noun, and the order people expect."""

import re


def printable(text: object) -> str:
    """Return the text on one line, without control, format, surrogate or unassigned characters."""
    shown = str(text)
    if not shown.isprintable():
        shown = "".join(char if char.isprintable() else " " for char in shown)
    return " ".join(shown.split())


def plural(count: float, noun: str) -> str:
    """Return a noun as it stands beside a count."""
    return noun if count == 1 else f"{noun}s"


def counted(count: float, noun: str) -> str:
    """Return a count with its noun, in the plural where it belongs."""
    shown = f"{count:g}" if isinstance(count, float) else f"{count}"
    return f"{shown} {plural(count, noun)}"


def percent(share: float) -> str:
    """Return a share as whole percents with their sign: '7 %'."""
    return f"{100.0 * share:z.0f} %"


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a sort key by which strip-2 comes before strip-10."""
    parts = re.split(r"(\d+)", name.casefold())
    return tuple((0, int(part)) if part.isdecimal() else (1, part) for part in parts)
