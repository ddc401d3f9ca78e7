"""What a person looks at of a roll, written: its record, contact sheets and page."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.file import write_text
from pipeline.kinds import Pixels, Whole
from pipeline.profile import find_space
from pipeline.record import RECORD_NAME, RollRecord, to_json
from pipeline.render import rendition_of, shown_greys, small_negative, small_picture
from pipeline.report import (
    Drawing,
    Tones,
    empty_sheet,
    page_parts,
    sheet_parts,
    small_side,
    thumbnail,
    tone_drawing,
)
from pipeline.roll.survey import RollFrame, SurveyedRoll
from pipeline.roll.written import as_written
from pipeline.write import FrameMetadata, write_share

_SHEET_NAME, _PAGE_NAME = "contact-sheet.jpg", "index.html"
_SHEET_PPI = 300.0
# They are to be looked at beside the positives, and are not to double the page.
_NEGATIVE_QUALITY = 70
# Of scene light from middle grey, from what any print shows as black to what it shows as white.
_STOPS = np.linspace(-8.0, 6.0, 113)


@dataclass(frozen=True)
class _Small:
    """Small pictures of a roll by frame number, as JPEG files, and what the page needs of them.

    `counts` (3, 256) are pixels of the positives by display value; `sheets` are names of sheets.
    """

    positives: dict[str, bytes]
    negatives: dict[str, bytes]
    counts: Whole
    sheets: tuple[str, ...]


def page_names(record: RollRecord) -> tuple[str, ...]:
    """Return the names of the files that `write_pages` writes of a roll."""
    sheets = (_sheet_name(part.place) for part in sheet_parts(record))
    return (RECORD_NAME, *sheets, _PAGE_NAME)


def _sheet_name(place: int) -> str:
    return _SHEET_NAME if place == 1 else _SHEET_NAME.replace(".", f"-{place}.")


def write_pages(
    record: RollRecord,
    surveyed: SurveyedRoll,
    out: Path,
    drawings: Sequence[Drawing],
    left: Sequence[str],
) -> tuple[str, ...]:
    """Write record, contact sheets and page of a roll, but those left; return the names written.

    Raises
    ------
    OutputProblem
        If one of them can't be written.
    """
    if RECORD_NAME not in left:
        write_text(out / RECORD_NAME, to_json(record))
    rendition = rendition_of(surveyed.roll.settings, surveyed.tone)
    small = _write_sheets(record, surveyed, out, left)
    if _PAGE_NAME not in left:
        # Other looks are written without the print's curve.
        shown = shown_greys(_STOPS, rendition).astype(float) if record.look == "print" else None
        tones = tone_drawing(Tones(small.counts, _STOPS, shown))
        parts = page_parts(
            record, small.positives, small.sheets, RECORD_NAME, drawings, small.negatives, tones
        )
        write_text(out / _PAGE_NAME, parts)
    return tuple(name for name in page_names(record) if name not in left)


def _write_sheets(
    record: RollRecord,
    surveyed: SurveyedRoll,
    out: Path,
    left: Sequence[str],
) -> _Small:
    """Write contact sheets but those left, a picture at a time; return the small pictures."""
    roll, frames = surveyed.roll, list(itertools.chain(*surveyed.frames))
    sizes = {
        frame.number.number: _written(
            frame, np.broadcast_to(0, frame.survey.thumbnail.shape[:2])
        ).shape
        for frame in frames
        if frame.survey.kind != "blank"
    }
    positives, negatives = {}, {}
    counts = np.zeros((3, 256), np.int64)
    names = []
    for part in sheet_parts(record):
        sheet = empty_sheet(sizes, record, part)
        for frame in itertools.chain(*surveyed.frames[part.first : part.end]):
            number, densities = frame.number.number, np.asarray(frame.survey.thumbnail)
            negative = _written(frame, small_negative(densities, frame.survey.base))
            negatives[number] = thumbnail(negative, small_side(len(frames)), _NEGATIVE_QUALITY)
            if frame.survey.kind == "blank":
                continue
            own = rendition_of(roll.settings, surveyed.tone, frame.colour)
            picture = _written(frame, small_picture(densities, frame.colour.colour, own))
            sheet.show(number, picture)
            positives[number] = thumbnail(picture, small_side(len(frames)))
            counts += [np.bincount(plane.ravel(), minlength=256) for plane in picture.T]
        name = _sheet_name(part.place)
        names.append(name)
        if name in left:
            continue
        metadata = FrameMetadata(title=f"{roll.name} contact sheet", roll=roll.name)
        write_share(
            out / name, sheet.paper, ppi=_SHEET_PPI, metadata=metadata, space=find_space("srgb")
        )
    return _Small(positives, negatives, counts, tuple(names))


def _written(frame: RollFrame, small: Pixels) -> Pixels:
    """Return a small picture of a frame as found, as it is written."""
    return as_written(small, frame.survey.outline, frame.written.outline, frame.turn)
