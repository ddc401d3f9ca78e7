"""What a person looks at of a roll: its record, contact sheets and page."""

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.file import atomic
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
from pipeline.roll.journal import key_of
from pipeline.roll.survey import RollFrame, SurveyedRoll
from pipeline.roll.written import as_written
from pipeline.survey import PictureStore, StoredPicture
from pipeline.write import FrameMetadata, share_bytes

_SHEET_NAME, _PAGE_NAME = "contact-sheet.jpg", "index.html"
_SHEET_PPI = 300.0
# They are to be looked at beside the positives, and are not to double the page.
_NEGATIVE_QUALITY = 70
# Of scene light from middle grey, from what any print shows as black to what it shows as white.
_STOPS = np.linspace(-8.0, 6.0, 113)


_Files = Mapping[str, Iterable[bytes]]


@dataclass(frozen=True)
class _Small:
    """Small pictures of a roll by frame number, as JPEG files, and its contact sheets by name.

    Sheets of a long roll are on the disk: they take hundreds of megabytes.
    `counts` (3, 256) are pixels of the positives by display value.
    """

    positives: dict[str, bytes]
    negatives: dict[str, bytes]
    counts: Whole
    sheets: dict[str, NDArray[Any] | StoredPicture]


def page_names(record: RollRecord) -> tuple[str, ...]:
    """Return the names of the files that `drawn_pages` draws of a roll."""
    sheets = (_sheet_name(part.place) for part in sheet_parts(record))
    return (RECORD_NAME, *sheets, _PAGE_NAME)


def _sheet_name(place: int) -> str:
    return _SHEET_NAME if place == 1 else _SHEET_NAME.replace(".", f"-{place}.")


def drawn_pages(record: RollRecord, surveyed: SurveyedRoll, drawings: Sequence[Drawing]) -> _Files:
    """Return record, contact sheets and page of a roll as files by name, in parts.

    Those of the page are made when they are asked for, once: it is never held as a whole.
    """
    rendition = rendition_of(surveyed.roll.settings, surveyed.tone)
    small = _drawn_sheets(record, surveyed)
    # Other looks are written without the print's curve.
    shown = shown_greys(_STOPS, rendition).astype(float) if record.look == "print" else None
    tones = tone_drawing(Tones(small.counts, _STOPS, shown))
    names = tuple(small.sheets)
    parts = page_parts(
        record, small.positives, names, RECORD_NAME, drawings, small.negatives, tones
    )
    return {
        RECORD_NAME: (to_json(record).encode("utf-8"),),
        **{name: _read(sheet) for name, sheet in small.sheets.items()},
        _PAGE_NAME: (part.encode("utf-8") for part in parts),
    }


def _read(sheet: NDArray[Any] | StoredPicture) -> Iterator[bytes]:
    yield np.asarray(sheet).tobytes()


class Report:
    """What a person looks at of a roll, which may be drawn while its frames are written.

    Parameters
    ----------
    keys
        Of the frames' files, by name.
    drawings
        Those that the page shows, the film's curve among them.
    """

    def __init__(
        self, surveyed: SurveyedRoll, keys: Mapping[str, str], drawings: Sequence[Drawing]
    ) -> None:
        self._surveyed, self._keys, self._drawings = surveyed, keys, drawings
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="evenroll-report")
        self._early: tuple[str, Future[_Files]] | None = None

    def key(self, record: RollRecord) -> str:
        """Return a key of all that the files of a record depend on."""
        return key_of(
            list(self._keys.values()), to_json(record), [vars(each) for each in self._drawings]
        )

    def begin(self, record: RollRecord) -> None:
        """Begin to draw a record as it will be if all goes well."""
        drawn = self._thread.submit(drawn_pages, record, self._surveyed, self._drawings)
        self._early = self.key(record), drawn

    def files(self, record: RollRecord) -> _Files:
        """Return the files of a record by name, those begun if it is as it was expected."""
        if self._early is not None and self._early[0] == self.key(record):
            return self._early[1].result()
        return drawn_pages(record, self._surveyed, self._drawings)

    def __enter__(self) -> "Report":
        """Return itself."""
        return self

    def __exit__(self, *raised: object) -> None:
        """Wait for what was begun."""
        self._thread.shutdown(cancel_futures=True)


def write_pages(files: _Files, out: Path, left: Sequence[str]) -> tuple[str, ...]:
    """Write files into a folder but those left, each whole; return the names written.

    Raises
    ------
    OutputProblem
        If one of them can't be written.
    """
    names = tuple(name for name in files if name not in left)
    for name in names:
        with atomic(out / name) as file:
            for part in files[name]:
                file.write(part)
    return names


def _drawn_sheets(record: RollRecord, surveyed: SurveyedRoll) -> _Small:
    """Return contact sheets and small pictures, drawn a picture at a time."""
    roll, frames = surveyed.roll, list(itertools.chain(*surveyed.frames))
    sizes = {
        frame.number.number: _written(
            frame, np.broadcast_to(0, frame.survey.thumbnail.shape[:2])
        ).shape
        for frame in frames
        if frame.survey.kind != "blank"
    }
    positives, negatives, sheets, store = {}, {}, {}, PictureStore()
    counts = np.zeros((3, 256), np.int64)
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
        metadata = FrameMetadata(title=f"{roll.name} contact sheet", roll=roll.name)
        packed = share_bytes(
            sheet.paper, ppi=_SHEET_PPI, metadata=metadata, space=find_space("srgb")
        )
        sheets[_sheet_name(part.place)] = store.put_away(np.frombuffer(packed, np.uint8))
    return _Small(positives, negatives, counts, sheets)


def _written(frame: RollFrame, small: Pixels) -> Pixels:
    """Return a small picture of a frame as found, as it is written."""
    return as_written(small, frame.survey.outline, frame.written.outline, frame.turn)
