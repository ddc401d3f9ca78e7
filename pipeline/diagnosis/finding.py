"""Findings out of what is probable of a roll; frames counted against those expected."""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from pipeline.diagnosis.hypotheses import NORMAL
from pipeline.diagnosis.model import Weighed
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.kinds import CHANNELS
from pipeline.profile import shipped
from pipeline.record import Finding
from pipeline.settings import FrameCorrection, RollNotes
from pipeline.survey import StripSurvey
from pipeline.words import counted

# What is as probable as this is sure enough to be told alone; what is as probable as the second is
# named beside it.
_EVEN, _POSSIBLE = 0.5, 0.06
# Without an aim that the user vouches for no fault of process is told where a sound roll is as
# probable as this: films and scanners differ more than is known of them, rolls of a log may have
# gone wrong too, and who heeds a false alarm spoils the next roll. Nor is a roll called sound where
# it is as probable that it is none.
_MAYBE = 0.3
# How dense pictures are leans less on what is not known of the film than base and edge print do,
# and who heeds a false alarm loses a little speed: even odds are enough.
_OF_EXPOSURE = ("under-exposed", "over-exposed")
_UNLIKE = 0.9


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


def as_finding(code: str, confidence: float, evidence: str) -> Finding:
    """Return a finding with the severity and advice of its code."""
    text = finding_texts()[code]
    return Finding(code, text.severity, round(confidence, 2), evidence, f"{text.advice}.")


def fault_findings(
    signs: RollSigns, weighed: Weighed, unlike: str | None = None, against: str | None = None
) -> tuple[Finding, ...]:
    """Return what the signs of a roll say of exposure and process, likeliest first.

    Faults that are more probable than not are all given, those of process only where the roll can
    hardly be sound. Of a roll that is hardly sound and has no such fault, one finding has the code
    of the likeliest and names those it can't be told from, as many as are together more probable
    than not; its confidence is that it is one of them. A roll that may well be sound is `normal`;
    the faults that it can't be told from are named, and what would tell. `unlike` says why an aim
    was not used, None where it was or there is none; `against` what the roll was held against, None
    where the user knows.
    """
    odds = dict(weighed.probabilities)
    normal = odds.pop(NORMAL, 0.0)
    ranked = sorted(odds, key=lambda code: -odds[code])
    maybe = normal >= (_EVEN if weighed.aimed and not against else _MAYBE)
    free = _OF_EXPOSURE if maybe else ranked
    sure = [code for code in ranked if odds[code] >= _EVEN and code in free]
    sound = maybe and not sure
    told = [NORMAL] if sound else sure or ranked[:1]
    clear = normal > 1.0 - _MAYBE if sound else bool(sure)
    alike = [] if sound or sure else _alike(weighed)
    apart = _one_of(alike) if alike else "" if clear else _apart(weighed)
    evidence = _sound if sound else _evidence
    held = f"; held against {against}" if against else ""
    end = f"{apart}{held}{_doubt(weighed, unlike)}."
    first, *others = [
        as_finding(code, weighed.probabilities[code], evidence(code, signs, weighed) + end)
        for code in told
    ]
    if alike:
        together = min(sum(probability for _, probability in alike), 1.0 - normal)
        first = replace(first, confidence=round(together, 2))
    otherwise = _otherwise(told, signs, weighed)
    advice = "" if sound and not clear else f"{first.advice} "
    return (replace(first, advice=f"{advice}{otherwise}".rstrip()), *others)


def _alike(weighed: Weighed) -> list[tuple[str, float]]:
    """Return the likeliest faults and their probabilities, until they are likelier than not."""
    faults = [each for each in _ranked(weighed) if each[0] != NORMAL]
    sums = itertools.accumulate(probability for _, probability in faults)
    return faults[: 1 + next((n for n, total in enumerate(sums) if total >= _EVEN), 1)]


def _one_of(alike: Sequence[tuple[str, float]]) -> str:
    """Return that a roll is not sound, and the faults of which it has one."""
    (first, likely), *rest = alike
    others = " nor from ".join(f"{code} ({probability:.2f})" for code, probability in rest)
    return f"; the roll is hardly sound, but {first} ({likely:.2f}) can't be told from {others}"


def _apart(weighed: Weighed) -> str:
    """Return which two are the likeliest, where neither is sure enough to be told alone."""
    (first, likely), (second, less) = _ranked(weighed)[:2]
    return f"; {first} ({likely:.2f}) can't be told from {second} ({less:.2f})"


def _otherwise(told: Sequence[str], signs: RollSigns, weighed: Weighed) -> str:
    """Return what else a roll could be, by what that is told, and what to scan to know."""
    rest = [each for each in _ranked(weighed) if each[0] not in told and each[1] >= _POSSIBLE]
    if not rest:
        return ""
    named = [
        f"{'normal after all' if code == NORMAL else code} (probability {probability:.2f}): "
        f"{finding_texts()[code].tell}"
        for code, probability in rest
    ]
    return f"It could also be {'; or '.join(named)}. To tell, {_would_tell(signs, weighed)}."


def _ranked(weighed: Weighed) -> list[tuple[str, float]]:
    """Return findings and their probabilities, the likeliest first."""
    return sorted(weighed.probabilities.items(), key=lambda each: -each[1])


def _would_tell(signs: RollSigns, weighed: Weighed) -> str:
    """Return what is not in view and would say more."""
    more = [] if weighed.aimed else ["give the record of a good roll of this film as --aim"]
    seen = dict(zip(SIGNS, np.isfinite(signs.values), strict=True))
    if not seen["edge_print_green"]:
        more.append("scan with the film's edges in view")
    if not seen["base_green"]:
        more.append("scan with some open gate in view")
    if not seen["densest_green"]:
        more.append("scan the light-struck leader")
    return ", or ".join(more[:2]) if more else "scan another roll of the same process"


def _sound(code: str, signs: RollSigns, weighed: Weighed) -> str:
    """Return the figures of a roll that may be sound, a sentence but for its full stop."""
    stops, sound = weighed.exposure_stops, weighed.probabilities[code]
    evidence = (
        f"{_pictures(signs)}{_print(signs)}: exposure {stops.value:+z.1f} stops "
        f"({stops.low:+z.1f} to {stops.high:+z.1f}) against the usual"
    )
    if sound <= 1.0 - _MAYBE:
        return evidence
    evidence += f", and no {'' if sound > 1.0 - _POSSIBLE else 'sure '}sign of a fault"
    if weighed.aimed or _triple(signs, "edge_print") or _triple(signs, "densest"):
        return evidence
    return f"{evidence}; development can't be told from pictures alone"


def _value(signs: RollSigns, name: str) -> float:
    value = signs.values[SIGNS.index(name)]
    return value if name.startswith("base") else math.exp(value) - 0.01


def _triple(signs: RollSigns, name: str) -> str | None:
    values = [_value(signs, f"{name}_{channel}") for channel in CHANNELS]
    if not all(map(math.isfinite, values)):
        return None
    return " / ".join(f"{value:z.2f}" for value in values)


def _pictures(signs: RollSigns) -> str:
    return f"{counted(signs.frames, 'picture')}, median density {_triple(signs, 'median')}"


def _print(signs: RollSigns) -> str:
    printed = _triple(signs, "edge_print")
    return f", edge print {printed} above base" if printed else " above base, no edge print in view"


def _doubt(weighed: Weighed, unlike: str | None) -> str:
    odd = "; film or scanner are unlike the usual, so take this with care"
    doubt = odd if weighed.unlike > _UNLIKE else ""
    return f"{doubt}; {unlike}, so it is not used" if unlike else doubt


def _evidence(code: str, signs: RollSigns, weighed: Weighed) -> str:
    """Return the figures that a finding rests on, a sentence but for its full stop."""
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
            share = f"silver of {degree.value:.2f} of their dyes' density"
            evidence += f"all channels are denser by the same, as with {share} left in"
            colour, neutral = (_value(signs, f"frame_{name}") for name in ("red_green", "neutral"))
            if math.isfinite(colour):
                evidence += f"; colours spread by {colour:.2f}, tones by {neutral:.2f}"
        case "colour-crossover":
            slopes = " / ".join(f"{math.exp(each.value):.2f}" for each in weighed.contrast)
            evidence = f"Contrast of red / green / blue is {slopes} of the usual: slopes that cross"
    return evidence


def count_findings(strips: Sequence[StripSurvey], notes: RollNotes) -> list[Finding]:
    """Hold the frames found against the count expected; blank ones may count or not.

    Frames that the user dropped or joined are known: they may count or not as well.
    """
    expected = notes.expected_frames
    frames = [frame for strip in strips for frame in strip.frames]
    if expected is None:
        return []
    exposed = sum(frame.kind != "blank" for frame in frames)
    most = expected + _surplus(expected, strips)
    gone = {name for each in notes.frames for name in _taken_out(each)}
    if exposed <= most and len(frames) + len(gone) >= expected:
        return []
    wanted = f"{expected}" if most == expected else f"{expected} to {most}"
    blank = f", {len(frames) - exposed} of them blank" if exposed < len(frames) else ""
    missing = [number for number in _missing_numbers(strips) if number not in gone]
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


def _taken_out(corrected: FrameCorrection) -> tuple[str, ...]:
    """Return the names of frames that are no more by a correction."""
    dropped = (corrected.number,) if corrected.drop and corrected.number else ()
    return (*dropped, *corrected.merge_with)


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
