"""Frames found held against those expected, and the numbers missing among them."""

import itertools
from collections.abc import Sequence
from functools import cache
from typing import Any

from pipeline.film import shipped
from pipeline.record import Finding
from pipeline.settings import RollNotes
from pipeline.strip_survey import StripSurvey
from pipeline.words import counted


@cache
def _count() -> dict[str, Any]:
    document = shipped("process.toml")
    return dict(document["count"])


def count_findings(strips: Sequence[StripSurvey], notes: RollNotes) -> list[Finding]:
    """Hold the frames found against the count expected; blank ones may count or not."""
    expected = notes.expected_frames
    frames = [frame for strip in strips for frame in strip.frames]
    if expected is None:
        return []
    exposed = sum(frame.kind != "blank" for frame in frames)
    most = expected + _surplus(expected, strips)
    if exposed <= most and len(frames) >= expected:
        return []
    wanted = f"{expected}" if most == expected else f"{expected} to {most}"
    blank = f", {len(frames) - exposed} of them blank" if exposed < len(frames) else ""
    missing = _missing_numbers(strips)
    evidence = f"{counted(len(frames), 'frame')} found{blank}; {wanted} expected."
    if missing:
        evidence += f" By the numbers on the film's edge there is no frame {', '.join(missing)}."
    if exposed > most:
        advice = "Look at the contact sheet for a frame cut in two or taken twice"
    elif missing:
        advice = "Look where they should be: is a strip not scanned, or a dark picture missed"
    else:
        advice = "Look at the contact sheet for a frame missed, and whether all strips are scanned"
    advice += "; [[frames]] in roll.toml corrects what was found."
    return [Finding("frame-count", "warning", 0.9, evidence, advice)]


def _surplus(expected: int, strips: Sequence[StripSurvey]) -> int:
    """Return how many frames more than a roll is sold for are usual."""
    if not strips or not all(strip.format.startswith("135") for strip in strips):
        return 0
    count = _count()
    each = 2 if all(strip.format == "135-half" for strip in strips) else 1
    sold = [number * each for number in count["sold_for"]]
    return int(count["surplus"]) * each if expected in sold else 0


def _missing_numbers(strips: Sequence[StripSurvey]) -> list[str]:
    """Return whole numbers that the film's edge passes over between the frames that have one.

    Cameras don't wind by the edge numbers: a pitch a little over or under 38 mm makes the frames
    drift, so that only a step of two numbers (of one, for half frames) speaks for a frame.
    """
    missing = []
    for before, after in itertools.pairwise(_edge_numbers(strips)):
        half = before[1] and after[1]
        step = 0.5 if half else 1.0
        for count in range(1, int((after[0] - before[0]) / step + 0.25)):
            number = before[0] + count * step
            missing.append(f"{int(number):02d}" + ("A" if half and number % 1 else ""))
    return missing


def _edge_numbers(strips: Sequence[StripSurvey]) -> list[tuple[float, bool]]:
    """Return the edge numbers of frames, and whether they are half frames, along the film."""
    numbers = [
        (int(frame.edge_number.rstrip("A")) + 0.5 * frame.edge_number.endswith("A"), half)
        for strip in strips
        for half in (strip.format == "135-half",)
        if strip.format in ("135", "135-half")
        for frame in strip.frames
        if frame.edge_number is not None and frame.edge_number.rstrip("A").isdecimal()
    ]
    return sorted(set(numbers))
