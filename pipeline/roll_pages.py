"""What a roll's folder holds besides its frames: record, contact sheets and page."""

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.contact_sheet import empty_sheet, sheet_parts
from pipeline.metadata import FrameMetadata
from pipeline.positive import small_picture
from pipeline.record import RECORD_NAME, RollRecord, to_json
from pipeline.rendition import rendition_of
from pipeline.report import Drawing, page, small_side, thumbnail
from pipeline.roll_survey import SurveyedRoll
from pipeline.space import find_space
from pipeline.whole_file import write_text
from pipeline.write import write_share

_SHEET_NAME, _PAGE_NAME = "contact-sheet.jpg", "index.html"
_SHEET_PPI = 300.0


def write_pages(
    record: RollRecord, surveyed: SurveyedRoll, out: Path, drawings: Sequence[Drawing]
) -> tuple[str, ...]:
    """Write record, contact sheets and page of a roll; return the names of these files.

    Raises
    ------
    OutputProblem
        If one can't be written.
    """
    write_text(out / RECORD_NAME, to_json(record))
    small, sheets = _write_sheets(record, surveyed, out)
    write_text(out / _PAGE_NAME, page(record, small, sheets, RECORD_NAME, drawings))
    return (RECORD_NAME, *sheets, _PAGE_NAME)


def _write_sheets(
    record: RollRecord, surveyed: SurveyedRoll, out: Path
) -> tuple[dict[str, bytes], list[str]]:
    """Write contact sheets, a picture at a time; return small pictures and names of the sheets."""
    roll = surveyed.roll
    rendition = rendition_of(roll.settings, surveyed.tone)
    shown = [[f for f in row if f.survey.kind != "blank"] for row in surveyed.frames]
    sizes = {
        frame.number.number: (frame.survey.thumbnail.shape[0], frame.survey.thumbnail.shape[1])
        for frame in itertools.chain(*shown)
    }
    small: dict[str, bytes] = {}
    names: list[str] = []
    for part in sheet_parts(record):
        sheet = empty_sheet(sizes, record, part)
        for frame in itertools.chain(*shown[part.first : part.end]):
            densities = np.asarray(frame.survey.thumbnail)
            picture = small_picture(densities, frame.colour.colour, rendition)
            sheet.show(frame.number.number, picture)
            small[frame.number.number] = thumbnail(picture, small_side(len(sizes)))
        name = _SHEET_NAME if part.place == 1 else _SHEET_NAME.replace(".", f"-{part.place}.")
        names.append(name)
        metadata = FrameMetadata(title=f"{roll.name} contact sheet", roll=roll.name)
        write_share(
            out / name, sheet.paper, ppi=_SHEET_PPI, metadata=metadata, space=find_space("srgb")
        )
    return small, names
