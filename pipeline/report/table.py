"""Densities of a roll as plain text: a table for its figures, its strips and its frames."""

import csv
import io
import math
from collections.abc import Sequence
from itertools import chain
from unicodedata import combining, east_asian_width

from pipeline.kinds import CHANNELS, Triple
from pipeline.record import PatchRecord, RollDensities, RollRecord, StripRecord
from pipeline.report.words import MISSING, figure_text, roll_name, share_text
from pipeline.words import printable

_RGB = "RGB"
_NONE = (None, None, None)


def measure_table(record: RollRecord) -> str:
    """Return all densities of a roll as plain text in aligned columns, and how far to trust them.

    Densities are base-10; a +- stands before a standard error, a dash where there is no figure.
    The head of each part names its units.
    """
    places = list(enumerate(record.strips, start=1))
    parts = [
        f"{roll_name(record)}, density; shares in % of the pictures, contrast in density per "
        "log10 exposure:\n" + aligned(("", *_RGB, "from"), _roll_rows(record.densities)),
        "Film base of each strip, density:\n" + aligned(_BASE_HEAD, [_base(*p) for p in places]),
        "Each strip, density above its base; toe and shoulder in % of its pictures:\n"
        + aligned(_PATCH_HEAD, [_patches(*p) for p in places]),
        "Frames, density above the base of their strip:\n"
        + aligned(_FRAME_HEAD, [row for p in places for row in _frames(*p)]),
    ]
    if record.densities.curve:
        parts.append("\n".join(("The film's curve:", *record.densities.curve["said"])))
    if record.densities.trust:
        parts.append("\n".join(("How far to trust this:", *record.densities.trust)))
    return "\n\n".join(parts) + "\n"


_BASE_HEAD = (
    "strip", "scan", "page", "format", "ppi", "angle deg", "area mm2", "base",
    *(f"base {c}" for c in _RGB), *(f"+- {c}" for c in _RGB), *(f"spread {c}" for c in _RGB),
    *(f"Status M {c}" for c in _RGB),
)  # fmt: skip
_PATCH_HEAD = (
    "strip", *(f"edge print {c}" for c in _RGB), *(f"+- {c}" for c in _RGB), "from",
    *(f"{what} {c}" for what in ("D-max", "range", "toe %", "shoulder %") for c in _RGB),
)  # fmt: skip
_FRAME_HEAD = (
    "strip", "frame", "kind", "confidence",
    *(f"{what} {c}" for what in ("min", "median", "max") for c in _RGB),
)  # fmt: skip


def measure_csv(record: RollRecord, head: bool = True) -> str:
    """Return a line for each frame of a roll as CSV (RFC 4180), with base and densities.

    Strips and pages are counted from 1, as on the page.
    `head` tells whether the names of the columns go first.
    """
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    if head:
        writer.writerow(_CSV_HEAD)
    for place, strip in enumerate(record.strips, start=1):
        of_strip = (record.roll["id"], place, strip.scan, strip.page + 1, strip.format)
        base = (*strip.base.density, "yes" if strip.base.absolute else "no")
        for frame in strip.frames:
            triples = (values or _NONE for values in vars(frame.density).values())
            told = (frame.number, frame.kind, frame.confidence, *base, *chain(*triples))
            writer.writerow(_cell(value) for value in (*of_strip, *told))
    return file.getvalue()


_CSV_HEAD = (
    "roll", "strip", "scan", "page", "format", "frame", "kind", "confidence",
    *(f"base_{c}" for c in CHANNELS), "base_absolute",
    *(f"{what}_{c}" for what in ("min", "median", "max") for c in CHANNELS),
)  # fmt: skip


def _cell(value: object) -> object:
    """Return a value for a cell: printable, and nothing that a spreadsheet takes for a formula."""
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else ""
    text = printable(value) if isinstance(value, str) else value
    return f"'{text}" if isinstance(text, str) and text[:1] in ("=", "+", "-", "@") else text


def _figures(values: Triple | None, decimals: int = 3) -> tuple[str, ...]:
    return tuple(figure_text(value, decimals) for value in values or _NONE)


def _shares(values: Triple | None) -> tuple[str, ...]:
    return tuple(share_text(value) for value in values or _NONE)


def _roll_rows(told: RollDensities) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("base", *_figures(told.base), "")]
    if told.base_status_m:
        rows.append(("base, Status M", *_figures(told.base_status_m), "scanner profile"))
    rows += [("range of the pictures", *_figures(told.range), "")]
    rows += _contrast_rows(told)
    rows += [("edge print above base", *_figures(told.edge_print), "")]
    if told.edge_print_error:
        rows.append(("  +-", *_figures(told.edge_print_error), ""))
    if told.edge_print_status_m:
        rows.append(("  Status M", *_figures(told.edge_print_status_m), "scanner profile"))
    if told.d_max:
        rows += _patch_rows("D-max above base", told.d_max)
    rows.append((f"in the toe, under {_bound(told.toe_density)}", *_shares(told.toe), ""))
    rows.append(
        (f"in the shoulder, over {_bound(told.shoulder_density)}", *_shares(told.shoulder), "")
    )
    if told.channel_spread:
        apart = told.channel_spread
        rows.append(("channels apart, edge print", figure_text(apart.edge_print, 3), "", "", ""))
        rows.append(("channels apart, slope, %", share_text(apart.slope), "", "", ""))
    return rows


def _contrast_rows(told: RollDensities) -> list[tuple[str, ...]]:
    if told.contrast:
        rows = [("contrast", *_figures(told.contrast), told.contrast_how or "")]
        return [*rows, ("  +-", *_figures(told.contrast_error), "")]
    guess = told.contrast_estimate
    if guess is None:
        return [("contrast", *_figures(None), "")]
    return [
        ("contrast, a guess", *_figures(guess.value, 2), guess.how),
        ("  at least", *_figures(guess.low, 2), "nine in ten"),
        ("  at most", *_figures(guess.high, 2), "nine in ten"),
    ]


def _patch_rows(name: str, patch: PatchRecord) -> list[tuple[str, ...]]:
    rows = [(name, *_figures(patch.density), patch.how), ("  +-", *_figures(patch.error), "")]
    if patch.status_m:
        rows.append(("  Status M", *_figures(patch.status_m), "scanner profile"))
    return rows


def _bound(values: Triple | None) -> str:
    return MISSING if values is None else figure_text(sum(values) / 3.0)


def _base(place: int, strip: StripRecord) -> tuple[str, ...]:
    base, more = strip.base, strip.densities
    return (
        str(place),
        printable(strip.scan),
        str(strip.page + 1),
        printable(strip.format),
        figure_text(strip.ppi, 0),
        figure_text(strip.angle_deg),
        figure_text(base.area_mm2, 1),
        "absolute" if base.absolute else "relative",
        *_figures(base.density),
        *_figures(more.base_error if more and base.absolute else None),
        *_figures(base.spread),
        *_figures(base.status_m),
    )


def _patches(place: int, strip: StripRecord) -> tuple[str, ...]:
    told = strip.densities
    printed, d_max = (told.edge_print, told.d_max) if told else (None, None)
    return (
        str(place),
        *_figures(printed.density if printed else None),
        *_figures(printed.error if printed else None),
        printed.how if printed else MISSING,
        *_figures(d_max.density if d_max else None, 2),
        *_figures(told.range if told else None, 2),
        *_shares(told.toe if told else None),
        *_shares(told.shoulder if told else None),
    )


def _frames(place: int, strip: StripRecord) -> list[tuple[str, ...]]:
    return [
        (
            str(place),
            printable(frame.number),
            printable(frame.kind),
            figure_text(frame.confidence, 2),
            *(text for triple in vars(frame.density).values() for text in _figures(triple)),
        )
        for frame in strip.frames
    ]


def aligned(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows in columns two spaces apart; columns of numbers are set to the right."""
    lines = [head, *rows]
    widths = [max(map(_cells, column)) for column in zip(*lines, strict=True)]
    right = [all(_is_figure(text) for text in column) for column in zip(*rows, strict=True)]
    right = right or [False] * len(head)
    return "\n".join(
        "  ".join(
            " " * (width - _cells(text)) + text if to_right else text + " " * (width - _cells(text))
            for text, width, to_right in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in lines
    )


def _is_figure(text: str) -> bool:
    return text in ("", MISSING) or text.lstrip("-").replace(".", "", 1).isdecimal()


def _cells(text: str) -> int:
    """Return the width of a text on a terminal, in cells (Unicode Annex 11)."""
    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)
