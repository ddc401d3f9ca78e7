"""Findings out of what is probable of a roll; frames counted against those expected."""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from pipeline.diagnosis.model import NORMAL, Weighed
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.kinds import CHANNELS
from pipeline.profile import shipped
from pipeline.record import Finding
from pipeline.settings import RollNotes
from pipeline.survey import StripSurvey
from pipeline.words import counted

# A fault as probable as this is told; one as probable as the second as what else it could be.
_TOLD, _POSSIBLE = 0.5, 0.06
_ODD = 0.5


@dataclass(frozen=True)
class FindingText:
    """Severity, advice, and by what a finding is told from others, as in profiles/findings.toml."""

    severity: str
    advice: str
    tell: str


@cache
def finding_texts() -> Mapping[str, FindingText]:
    """Return the texts of findings by code."""
    document = shipped("findings.toml")
    return {
        code: FindingText(table["severity"], table["advice"], table["tell"])
        for code, table in document.items()
        if isinstance(table, dict)
    }


def as_finding(code: str, confidence: float, evidence: str, otherwise: str = "") -> Finding:
    """Return a finding with the severity and advice of its code."""
    text = finding_texts()[code]
    advice = text.advice.rstrip(".")
    told = f"{advice}. {otherwise}" if otherwise else f"{advice}."
    return Finding(code, text.severity, round(confidence, 2), evidence, told)


def fault_findings(signs: RollSigns, weighed: Weighed) -> tuple[Finding, ...]:
    """Return what the signs of a roll say of exposure and process, likeliest first.

    Faults that are more probable than not are all given. Where none is, the roll is `normal` if
    that is likelier than any fault; else the likeliest fault is given with what it could be
    mistaken for.
    """
    odds = dict(weighed.probabilities)
    normal = odds.pop(NORMAL, 0.0)
    ranked = sorted(odds, key=lambda code: -odds[code])
    told = [code for code in ranked if odds[code] >= _TOLD]
    if not told and odds[ranked[0]] > normal:
        told = ranked[:1]
    if not told:
        return (_normal(signs, weighed, normal),)
    rest = {code: p for code, p in {**odds, NORMAL: normal}.items() if code not in told}
    other = max(rest, key=lambda code: rest[code])
    otherwise = ""
    if rest[other] >= _POSSIBLE:
        text = finding_texts()[other]
        name = "normal after all" if other == NORMAL else other
        otherwise = f"It could also be {name} (probability {rest[other]:.2f}): {text.tell}."
    return tuple(
        as_finding(code, odds[code], _evidence(code, signs, weighed), otherwise if first else "")
        for first, code in zip([True] + [False] * len(told), told, strict=False)
    )


def _normal(signs: RollSigns, weighed: Weighed, probability: float) -> Finding:
    stops = weighed.exposure_stops
    figures = (
        f"{_pictures(signs)}{_print(signs)}: exposure {stops.value:+.1f} stops ({stops.low:+.1f} "
        f"to {stops.high:+.1f}) against the usual, and no sign of a fault"
    )
    return as_finding(NORMAL, probability, f"{figures}{_doubt(weighed)}.")


def _value(signs: RollSigns, name: str) -> float:
    value = signs.values[SIGNS.index(name)]
    return value if name.startswith("base") else math.exp(value) - 0.01


def _triple(signs: RollSigns, name: str) -> str | None:
    values = [_value(signs, f"{name}_{channel}") for channel in CHANNELS]
    if not all(map(math.isfinite, values)):
        return None
    return " / ".join(f"{value:.2f}" for value in values)


def _pictures(signs: RollSigns) -> str:
    return f"{counted(signs.frames, 'picture')}, median density {_triple(signs, 'median')}"


def _print(signs: RollSigns) -> str:
    printed = _triple(signs, "edge_print")
    return f", edge print {printed} above base" if printed else " above base, no edge print in view"


def _doubt(weighed: Weighed) -> str:
    return "; the figures fit no roll well, so take this with care" if weighed.odd > _ODD else ""


def _evidence(code: str, signs: RollSigns, weighed: Weighed) -> str:
    """Return one sentence with the figures that a finding rests on."""
    degree = weighed.degrees[code]
    evidence = f"{_pictures(signs)}{_print(signs)}: "
    match code:
        case "under-exposed" | "over-exposed":
            stops = f"{abs(degree.value):.1f} stops {'less' if degree.value < 0 else 'more'}"
            low, high = sorted(abs(bound) for bound in (degree.low, degree.high))
            evidence += f"{stops} exposure than usual ({low:.1f} to {high:.1f})"
        case "under-developed" | "over-developed":
            times = [math.exp(each) for each in (degree.value, degree.low, degree.high)]
            figures = "{:.2f} of the usual ({:.2f} to {:.2f})".format(*times)
            evidence += f"contrast {figures} in all channels"
        case "high-base":
            evidence = (
                f"Base {_triple(signs, 'base')}: about {degree.value:.2f} "
                f"({max(degree.low, 0.0):.2f} to {degree.high:.2f}) denser than usual, red "
                "included, which no mask colours"
            )
        case "retained-silver":
            share = f"{100 * degree.value:.0f} % of the silver left"
            evidence += f"all channels are denser together, as with {share}"
            colour, neutral = (_value(signs, f"frame_{name}") for name in ("red_green", "neutral"))
            if math.isfinite(colour):
                evidence += f"; colours spread by {colour:.2f}, tones by {neutral:.2f}"
        case "colour-crossover":
            slopes = " / ".join(f"{math.exp(each.value):.2f}" for each in weighed.contrast)
            evidence = f"Contrast of red / green / blue is {slopes} of the usual: slopes that cross"
    return f"{evidence}{_doubt(weighed)}."


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
    count = shipped("process.toml")["count"]
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
