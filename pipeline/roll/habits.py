"""What all scans of a roll show together: format, gates, and whether each is of one picture."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.frame import CLEAR, FOREIGN_FORMAT, GateHabit, shared_habit
from pipeline.profile import frame_formats
from pipeline.survey import Habits, ScanSurvey, StripSurvey, alone, usual_gate

_PARTS = "shows parts of other pictures beside its own: left out, as each file is of one picture"


def gates_of_roll(strips: Sequence[StripSurvey]) -> dict[str, GateHabit | None]:
    """Return what the strips of a roll show of its camera, by format; empty if too little.

    The roll's format is the one that makes all strips together likeliest, None if its gate is not
    clear; others stand beside it where strips show them against that.
    """
    usual = _usual_formats(strips)
    counted: dict[str, list[tuple[GateHabit, int]]] = {}
    for strip in strips:
        if strip.habit is not None and not _gives_way(strip, usual):
            clear = sum(frame.confidence >= CLEAR for frame in strip.frames)
            counted.setdefault(strip.format, []).append((strip.habit, clear))
    shared = {name: shared_habit(habits) for name, habits in counted.items()}
    gates: dict[str, GateHabit | None] = {name: one for name, one in shared.items() if one}
    if any(_gives_way(strip, usual) for strip in strips):
        gates = dict.fromkeys(usual) | gates
    return gates


def habits_of_roll(surveys: Sequence[ScanSurvey]) -> Habits:
    """Return what a roll shows of its camera."""
    gates = gates_of_roll([strip for survey in surveys for strip in survey.strips])
    clear = [
        (frame.outline, _size(strip))
        for survey in surveys
        for strip in survey.strips
        for frame in strip.frames
        if survey.single and frame.confidence >= CLEAR
    ]
    return Habits(gates, single=usual_gate([o for o, _ in clear], [size for _, size in clear]))


def _size(strip: StripSurvey) -> tuple[int, int]:
    return strip.scan.width, strip.scan.height


def is_unclear(strip: StripSurvey, habits: Habits) -> bool:
    """Tell whether a strip may come out otherwise by what the roll shows of its camera."""
    gates, single = habits.gates, habits.single
    if strip.habit is None:
        moves = single and any(single.held(f.outline, _size(strip)) for f in strip.frames)
        known = not gates or strip.format in gates
        return bool(strip.likelihoods) and (bool(moves) or not known)
    if not gates:
        return False
    if strip.format not in gates:
        return True
    known = gates[strip.format] is not None
    return known and any(frame.confidence < CLEAR for frame in strip.frames)


def _usual_formats(strips: Sequence[StripSurvey]) -> tuple[str, ...]:
    """Return the formats that make all strips likeliest, of each size of film that shows.

    Single pictures, which may be on any film, are one kind more: on the film that any of them or
    a strip tells, as a roll is of one.
    """
    forms = frame_formats()
    films: dict[str, list[Mapping[str, float]]] = {}
    singles = [strip.likelihoods for strip in strips if strip.habit is None and strip.likelihoods]
    for strip in strips:
        if strip.habit is not None and strip.likelihoods:
            films.setdefault(forms[strip.format].film.name, []).append(strip.likelihoods)
    usual = [_usual(found, found[0]) for found in films.values()]
    if singles:
        may_be = [n for n in singles[0] if all(n in each for each in singles)]
        known = [n for n in may_be if not films or forms[n].film.name in films]
        usual.append(_usual(singles, known or may_be or singles[0]))
    return tuple(usual)


def _usual(found: Sequence[Mapping[str, float]], names: Iterable[str]) -> str:
    return max(names, key=lambda name: sum(_under(name, each) for each in found))


def _under(name: str, likelihoods: Mapping[str, float]) -> float:
    """Return how likely a strip is on a roll of a format, some strips of which are of another."""
    others = [likely for other, likely in likelihoods.items() if other != name]
    foreign = max(others, default=-np.inf) - FOREIGN_FORMAT
    return float(np.logaddexp(likelihoods.get(name, -np.inf), foreign))


def _gives_way(strip: StripSurvey, usual: Sequence[str]) -> bool:
    """Tell whether a strip of another format than the roll's may well be of that."""
    own = strip.likelihoods.get(strip.format, np.inf)
    others = [strip.likelihoods[name] for name in usual if name in strip.likelihoods]
    return strip.format not in usual and any(own - FOREIGN_FORMAT < other for other in others)


def each_alone(surveys: Sequence[ScanSurvey]) -> list[ScanSurvey]:
    """Return surveys without parts of pictures that are whole in other files of the roll.

    That is where each file shows one picture at the most as a whole, on film that goes on out of
    view: it was taken of that picture.
    """
    if len(surveys) < 2 or not all(_is_of_one(survey) for survey in surveys):
        return list(surveys)
    return [_alone(survey) for survey in surveys]


def _is_of_one(survey: ScanSurvey) -> bool:
    whole = [frame.kind != "partial" for strip in survey.strips for frame in strip.frames]
    return len(survey.strips) == 1 and sum(whole) <= 1


def _alone(survey: ScanSurvey) -> ScanSurvey:
    (strip,) = survey.strips
    kept = alone(strip)
    if len(kept.frames) == len(strip.frames):
        return survey
    habits = replace(survey.habits or Habits(), alone=True)
    return replace(survey, strips=(kept,), habits=habits, notes=(*survey.notes, _PARTS))
