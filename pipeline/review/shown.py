"""The roll as the page gets it: one document, all that is to be seen but the pictures."""

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Any

from pipeline.record import RollRecord, by_weight
from pipeline.report import (
    LITTLE_DOUBT_LOG_E,
    UNSURE_BELOW,
    caution_lines,
    figure_text,
    how_solved,
    roll_name,
)
from pipeline.review.history import History
from pipeline.review.pictures import own_correction
from pipeline.review.place import Placed, on_strip_mm, placed_frames, size_mm
from pipeline.review.point import curves_of
from pipeline.roll import RollFrame, SurveyedRoll, key_of
from pipeline.settings import COLOURS, ROLL_FILE, FrameCorrection
from pipeline.words import printable

# Finding codes by what on the film they are read from: the page shows it there.
_SEEN_IN = {
    "base": ("high-base", "retained-silver", "no-image", "scanner-drift"),
    "edge print": ("under-developed", "over-developed", "no-image", "unexposed"),
    "pictures": ("under-exposed", "over-exposed", "colour-crossover", "unexposed",
                 "retained-silver", "scanner-clipped"),
    "light beside the pictures": ("light-leak",),
}  # fmt: skip
_TONES = ("exposure", "balance", "contrast", "black", "white")


@dataclass(frozen=True)
class State:
    """A roll under review: its survey and record, and which of its files are to be made."""

    revision: int
    surveyed: SurveyedRoll
    record: RollRecord
    pending: Set[str]
    trouble: str = ""
    lost: Mapping[str, str] | None = None


def shown(state: State, history: History, writing: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return the document of a roll: plain values only."""
    surveyed, record = state.surveyed, state.record
    entries = surveyed.roll.notes.frames
    settings = surveyed.roll.settings
    return {
        "revision": state.revision,
        "name": roll_name(record),
        "trouble": state.trouble,
        "lost": dict(state.lost or {}),
        "undo": history.to_undo,
        "redo": history.to_redo,
        "writing": writing,
        "pending": sorted(state.pending),
        "strips": [_strip(surveyed, record, place) for place in range(len(surveyed.strips))],
        "frames": [_frame(surveyed, record, placed) for placed in placed_frames(surveyed)],
        "gone": [entry.number for entry in entries if entry.drop],
        "tones": {
            **{name: getattr(settings, name) for name in (*_TONES, "gamma")},
            "usual_contrast": round(surveyed.tone.contrast, 3),
        },
        "fixed": sorted(set(surveyed.roll.told) & {*_TONES, "gamma"}),
        "colour": how_solved(record),
        "curves": curves_of(surveyed.colour),
        "findings": [
            {
                "code": finding.code, "severity": finding.severity,
                "confidence": figure_text(finding.confidence), "evidence": finding.evidence,
                "advice": finding.advice,
                "seen_in": [place for place, codes in _SEEN_IN.items() if finding.code in codes],
            }
            for finding in by_weight(record.findings)
        ],
        "cautions": list(caution_lines(record)),
        "problems": [f"{printable(each.scan)}: {printable(each.message)}"
                     for each in record.problems],
    }  # fmt: skip


def _strip(surveyed: SurveyedRoll, record: RollRecord, place: int) -> dict[str, Any]:
    strip, told = surveyed.strips[place], record.strips[place]
    along, across = size_mm(strip)
    codes = on_strip_mm(strip, tuple((x, y) for _, x, y in strip.edge_codes)) if (
        strip.edge_codes
    ) else ()  # fmt: skip
    printed = told.densities and told.densities.edge_print
    return {
        "scan": strip.scan.path.name,
        "sign": key_of(strip.outline, strip.base, surveyed.colour)[:16],
        "length_mm": round(along, 3),
        "width_mm": round(across, 3),
        "base": [round(value, 3) for value in strip.base.density],
        "absolute": strip.absolute,
        "edge_print": printed and [v and round(v, 3) for v in printed.density],
        "leak": strip.leak is not None,
        "codes": [
            {"text": text, "x_mm": round(float(x), 2), "y_mm": round(float(y), 2)}
            for (text, _, _), (x, y) in zip(strip.edge_codes, codes, strict=True)
        ],
    }


def _frame(surveyed: SurveyedRoll, record: RollRecord, placed: Placed) -> dict[str, Any]:
    strip, frame = surveyed.strips[placed.strip], placed.frame
    survey, own = frame.survey, own_correction(surveyed, placed.key)
    rows, columns = survey.thumbnail.shape[:2][:: -1 if frame.turn.swaps else 1]
    return {
        "key": placed.key,
        "number": frame.number.number,
        "number_from": frame.number.number_from,
        "strip": placed.strip,
        "kind": survey.kind,
        "confidence": round(survey.confidence, 3),
        "doubts": _doubts(surveyed, record, placed),
        "corners_mm": [[round(float(x), 3), round(float(y), 3)]
                       for x, y in on_strip_mm(strip, survey.outline)],
        "sign": _sign(frame, surveyed),
        "width": columns,
        "height": rows,
        "corrected": own is not None,
        "median": [round(value, 3) for value in survey.median],
        "stops": round(frame.colour.exposure_stops, 2),
        "balance": frame.colour.balance,
        "own": _own(own),
    }  # fmt: skip


def _sign(frame: RollFrame, surveyed: SurveyedRoll) -> str:
    """Return what changes when a frame's picture does."""
    settings = surveyed.roll.settings
    levels = (settings.contrast, settings.black, settings.white, settings.gamma, settings.look)
    shape = frame.written, frame.turn
    return key_of(shape, frame.survey.base, frame.colour, surveyed.tone, levels)[:16]


def _own(entry: FrameCorrection | None) -> dict[str, Any]:
    """Return what a frame has of its own of colour and tone."""
    if entry is None:
        return {}
    told = {name: getattr(entry, name, None) for name in COLOURS}
    return {name: value for name, value in told.items() if value not in (None, 0.0, False)}


def _doubts(surveyed: SurveyedRoll, record: RollRecord, placed: Placed) -> list[str]:
    """Return why a person should look at a frame, in words."""
    frame, doubts = placed.frame, []
    survey = frame.survey
    if survey.kind != "blank" and not survey.confidence >= UNSURE_BELOW:
        doubts.append(f"edges unclear ({figure_text(survey.confidence)})")
    # Where the film has numbers elsewhere, one that is only counted may be wrong.
    if frame.number.number_from == "order" and any(
        each.number.number_from == "edge" for row in surveyed.frames for each in row
    ):
        doubts.append("number counted, not read")
    doubt = record.colour.doubt_log_e
    if record.colour.how == "roll" and doubt is not None and doubt > LITTLE_DOUBT_LOG_E:
        at_first = next(placed_frames(surveyed)).key == placed.key
        if at_first:
            doubts.append(f"colour of the roll in doubt ({figure_text(doubt)} log exposure)")
    name = "frame " + placed.key if not placed.key.startswith("+") else f"entry {placed.key[1:]}"
    doubts += [
        "its neutral place can't be used"
        for trouble in record.problems
        if "neutral place" in trouble.message and name in trouble.message
    ]
    return doubts


def lost_scans(surveyed: SurveyedRoll) -> Mapping[str, str]:
    """Return scans of the roll that failed, each with what is said of it."""
    shown_scans = {strip.scan.path.name for strip in surveyed.strips}
    return {
        each.scan: each.message
        for each in surveyed.problems
        if each.kind == "problem" and each.scan != ROLL_FILE and each.scan not in shown_scans
    }
