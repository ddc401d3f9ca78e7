"""What a person looks at of a roll: its record, contact sheets and page."""

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Pixels, Whole
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
from pipeline.roll.machines import give_back
from pipeline.roll.survey import RollFrame, SurveyedRoll
from pipeline.roll.written import as_written
from pipeline.survey import PictureStore, StoredPicture
from pipeline.whole_file import atomic
from pipeline.write import FrameMetadata, share_bytes

_SHEET_NAME, _PAGE_NAME = "contact-sheet.jpg", "index.html"
_SHEET_PPI = 300.0
# They are to be looked at beside the positives, and are not to double the page.
_NEGATIVE_QUALITY = 70
# Parts of a page that are kept together, and what is kept in memory: twice what 36 frames take.
_BLOCK_BYTES, _HELD_BYTES = 1 << 20, 8 << 20
# Of scene light from middle grey, from what any print shows as black to what it shows as white.
_STOPS = np.linspace(-8.0, 6.0, 113)


_Files = Mapping[str, Iterable[bytes]]


@dataclass(frozen=True)
class _Told:
    """A record, the text of its file, and a key of all that the files of a record depend on."""

    record: RollRecord
    text: str
    key: str


class _Kept(Mapping[str, bytes]):
    """Files by name, those of a long roll on the disk: they take hundreds of megabytes."""

    def __init__(self, store: PictureStore) -> None:
        self._store = store
        self._places: dict[str, NDArray[Any] | StoredPicture] = {}

    def keep(self, name: str, content: bytes) -> None:
        """Keep a file."""
        self._places[name] = self._store.put_away(np.frombuffer(content, np.uint8))

    def __getitem__(self, name: str) -> bytes:
        """Return a file's content."""
        return np.asarray(self._places[name]).tobytes()

    def __iter__(self) -> Iterator[str]:
        """Return names in their order."""
        return iter(self._places)

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._places)


@dataclass(frozen=True)
class _Small:
    """Small pictures of a roll by frame number, as JPEG files, and its contact sheets by name.

    `counts` (3, 256) are pixels of the positives by display value.
    """

    positives: _Kept
    negatives: _Kept
    counts: Whole
    sheets: _Kept


def page_names(record: RollRecord) -> tuple[str, ...]:
    """Return the names of the files that `drawn_pages` draws of a roll."""
    sheets = (_sheet_name(part.place) for part in sheet_parts(record))
    return (RECORD_NAME, *sheets, _PAGE_NAME)


def _sheet_name(place: int) -> str:
    return _SHEET_NAME if place == 1 else _SHEET_NAME.replace(".", f"-{place}.")


def drawn_pages(
    record: RollRecord, text: str, surveyed: SurveyedRoll, drawings: Sequence[Drawing]
) -> _Files:
    """Return record, contact sheets and page of a roll as files by name, in parts.

    `text` is that of the record's file.
    """
    rendition = rendition_of(surveyed.roll.settings, surveyed.tone)
    store = PictureStore(_HELD_BYTES)
    small = _drawn_sheets(record, surveyed, store)
    # Other looks are written without the print's curve.
    shown = shown_greys(_STOPS, rendition).astype(float) if record.look == "print" else None
    tones = tone_drawing(Tones(small.counts, _STOPS, shown))
    names = tuple(small.sheets)
    parts = page_parts(
        record, small.positives, names, RECORD_NAME, drawings, small.negatives, tones
    )
    page = _Kept(store)
    for place, block in enumerate(_blocks(parts)):
        page.keep(str(place), block)
    return {
        RECORD_NAME: map(str.encode, (text,)),
        **{name: map(small.sheets.__getitem__, (name,)) for name in names},
        _PAGE_NAME: page.values(),
    }


def _blocks(parts: Iterable[str]) -> Iterator[bytes]:
    """Yield parts of a page as bytes, many small ones together."""
    held = bytearray()
    for part in parts:
        held += part.encode("utf-8")
        if len(held) >= _BLOCK_BYTES:
            yield bytes(held)
            held.clear()
    yield bytes(held)


class Report:
    """What a person looks at of a roll, which may be drawn while its frames are written.

    `keys` are of the frames' files, by name; `drawings` all that the page shows.
    """

    def __init__(
        self, surveyed: SurveyedRoll, keys: Mapping[str, str], drawings: Sequence[Drawing]
    ) -> None:
        self._surveyed, self._keys, self._drawings = surveyed, keys, drawings
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="evenroll-report")
        self._early: tuple[str, Future[_Files]] | None = None
        self._last: _Told | None = None

    def key(self, record: RollRecord) -> str:
        """Return a key of all that the files of a record depend on."""
        return self._told(record).key

    def begin(self, record: RollRecord) -> None:
        """Begin to draw a record as it will be if all goes well."""
        told = self._told(record)
        self._early = told.key, self._thread.submit(self._drawn, told)

    def files(self, record: RollRecord) -> _Files:
        """Return the files of a record by name, those begun if it is as it was expected."""
        told = self._told(record)
        if self._early is not None and self._early[0] == told.key:
            return self._early[1].result()
        return self._drawn(told)

    def _drawn(self, told: _Told) -> _Files:
        drawn = drawn_pages(told.record, told.text, self._surveyed, self._drawings)
        # What drawing took, while frames need theirs.
        give_back()
        return drawn

    def _told(self, record: RollRecord) -> _Told:
        """Return a record as told, made once: that of a long roll takes seconds."""
        if self._last is None or self._last.record != record:
            text, drawings = to_json(record), [vars(each) for each in self._drawings]
            self._last = _Told(record, text, key_of(list(self._keys.values()), text, drawings))
        return self._last

    def __enter__(self) -> "Report":
        """Return itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, *raised: object) -> None:
        """Wait for what was begun, but not after an interruption."""
        self._thread.shutdown(wait=kind is not KeyboardInterrupt, cancel_futures=True)


def write_pages(files: _Files, out: Path, left: Sequence[str]) -> tuple[str, ...]:
    """Write files into a folder but those left, each whole; return the names written.

    Raises OutputProblem if one of them can't be written.
    """
    names = tuple(name for name in files if name not in left)
    for name in names:
        with atomic(out / name) as file:
            for part in files[name]:
                file.write(part)
    return names


def _drawn_sheets(record: RollRecord, surveyed: SurveyedRoll, store: PictureStore) -> _Small:
    """Return contact sheets and small pictures, drawn a picture at a time."""
    roll, frames = surveyed.roll, list(itertools.chain(*surveyed.frames))
    sizes = {
        frame.number.number: _written(
            frame, np.broadcast_to(0, frame.survey.thumbnail.shape[:2])
        ).shape
        for frame in frames
        if frame.survey.kind != "blank"
    }
    positives, negatives, sheets = (_Kept(store) for _ in range(3))
    counts = np.zeros((3, 256), np.int64)
    for part in sheet_parts(record):
        sheet = empty_sheet(sizes, record, part)
        for frame in itertools.chain(*surveyed.frames[part.first : part.end]):
            number, densities = frame.number.number, np.asarray(frame.survey.thumbnail)
            negative = _written(frame, small_negative(densities, frame.survey.base))
            side = small_side(len(frames))
            negatives.keep(number, thumbnail(negative, side, _NEGATIVE_QUALITY))
            if frame.survey.kind == "blank":
                continue
            own = rendition_of(roll.settings, surveyed.tone, frame.colour)
            small = small_picture(densities, frame.colour.colour, own, frame.survey.doubt())
            picture = _written(frame, small)
            sheet.show(number, picture)
            positives.keep(number, thumbnail(picture, side))
            counts += [np.bincount(plane.ravel(), minlength=256) for plane in picture.T]
        metadata = FrameMetadata(title=f"{roll.name} contact sheet", roll=roll.name)
        packed = share_bytes(sheet.paper, ppi=_SHEET_PPI, metadata=metadata)
        sheets.keep(_sheet_name(part.place), packed)
        # Before there is another: a paper takes tens of megabytes.
        del sheet, packed
        give_back()
    return _Small(positives, negatives, counts, sheets)


def _written(frame: RollFrame, small: Pixels) -> Pixels:
    """Return a small picture of a frame as found, as it is written."""
    return as_written(small, frame.survey.outline, frame.written.outline, frame.turn)
