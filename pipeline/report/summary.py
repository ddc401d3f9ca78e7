"""What the command says of a roll at the end."""

from typing import Any

from pipeline.bath import cautions, leads_to_baths
from pipeline.kinds import Triple
from pipeline.profile import MONOCHROME
from pipeline.record import RollRecord, by_weight
from pipeline.report.words import figure_text, is_unsure, roll_name, signed_text
from pipeline.words import counted, plural, printable

HOW_SOLVED = {
    "profile": "taken from the film profile; the roll's own densities were not asked",
    "roll": "solved from the whole roll: film base is black, and the densities of all frames "
    "together give the neutral axis",
    "reference": "taken from a chart or grey card on the roll",
}
BESIDE_PRINT = ", beside the edge print, which has the factory's light"
# Why a colour from the pictures is in doubt.
CAST_LEFT = (
    ": one cast lies over all pictures, more than films differ by, and is left as the scenes' own. "
    "A frame with a grey card or chart tells better"
)
TOLD_LITTLE = (
    ": the pictures are few, much alike or of many casts. A frame with a grey card or chart tells "
    "better"
)
_CAST_LIKELY = 0.5
# A cast of about 4 C*ab in a middle grey.
LITTLE_DOUBT_LOG_E = 0.06


def caution_lines(record: RollRecord) -> tuple[str, ...]:
    """Return the cautions for the chemistry where a finding's advice leads there, else nothing."""
    return cautions().lines if leads_to_baths(record.findings) else ()


def how_solved(record: RollRecord) -> str:
    """Return in words what the roll's colour rests on."""
    if record.colour.reference is not None:
        return f"taken from {record.colour.reference}"
    if record.profile == MONOCHROME:
        return "none: black-and-white film, one mix of the channels"
    how = HOW_SOLVED.get(record.colour.how, record.colour.how)
    doubt, cast = record.colour.doubt_log_e, record.colour.cast
    if record.colour.how != "roll" or doubt is None or cast is None:
        return how
    why = CAST_LEFT if cast > _CAST_LIKELY else "" if doubt < LITTLE_DOUBT_LOG_E else TOLD_LITTLE
    beside = BESIDE_PRINT if record.densities.edge_print else ""
    return f"{how}{beside}. Greys may be off by {figure_text(doubt)} in log10 exposure{why}"


def summary_lines(record: RollRecord) -> tuple[str, ...]:
    """Return what the command says at the end: frames, base, colour, findings, notes, problems.

    Each line is printable text without line breaks or control characters.
    """
    written = sum(any(vars(frame.files).values()) for frame in record.frames())
    lines = [
        f"{roll_name(record)}: {counted(written, 'frame')} written of {len(record.frames())} "
        f"on {counted(len(record.strips), 'strip')} ({kinds_text(record)})."
    ]
    doubtful = [printable(frame.number) for frame in record.frames() if is_unsure(frame)]
    if doubtful:
        noun, whose = plural(len(doubtful), "frame"), "its" if len(doubtful) == 1 else "their"
        lines.append(
            f"Check {noun} {', '.join(doubtful)}: {whose} edges are not clear; "
            "correct them with [[frames]] in roll.toml."
        )
    if record.densities.base:
        how = {strip.base.absolute for strip in record.strips}
        words = "relative" if how == {False} else "absolute" if how == {True} else "mixed"
        lines.append(f"Film base ({words}): {_rgb(record.densities.base)}.")
    lines.append(f"Colour: {printable(how_solved(record))}.")
    lines.append(
        f"Balance in log10 exposure: {_rgb(record.colour.balance, signed_text)}; "
        f"slope of the curves: {_rgb(record.colour.slopes)}."
    )
    lines += [
        printable(
            f"{finding.severity}: {finding.code} (confidence "
            f"{figure_text(finding.confidence)}). {finding.evidence} {finding.advice}"
        )
        for finding in by_weight(record.findings)
    ]
    lines += [printable(f"{each.kind}: {each.sentence()}") for each in record.problems]
    return tuple(lines)


def _rgb(triple: Triple, show: Any = figure_text) -> str:
    return ", ".join(f"{c} {show(value)}" for c, value in zip("RGB", triple, strict=True))


def kinds_text(record: RollRecord) -> str:
    """Return how many frames there are of each kind, in words."""
    kinds = [printable(frame.kind) for frame in record.frames()]
    names = sorted(set(kinds), key=lambda kind: (kind != "picture", kind))
    words = [
        counted(kinds.count(kind), "picture") if kind == "picture"
        else f"{kinds.count(kind)} {kind}"
        for kind in names
    ]  # fmt: skip
    return ", ".join(words) or "no frames"
