"""Pictures for the screen: frames as they will be written, and strips as they were scanned."""

import io
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.colour import FrameColour, RollColour, brightened, frame_colours
from pipeline.kinds import Float32, Pixels, as_triple
from pipeline.render import (
    FrameLight,
    exposure_picture,
    reduced_light,
    rendition_of,
    shown_exposures,
    small_negative,
    small_picture,
    to_density_above,
)
from pipeline.review.place import Placed
from pipeline.roll import SurveyedRoll, as_written, dust_to_mend
from pipeline.settings import FrameCorrection, Settings, read_corrections, with_changes
from pipeline.strip import FrameBase
from pipeline.survey import StripSurvey

STRIP_SIDE = 2000
MOST_SIDE = 2560
# Some twelve pictures of a large screen, and as many strips.
_PICTURE_BYTES, _STRIP_BYTES = 192 << 20, 96 << 20
_QUALITY = 88

Kept = TypeVar("Kept", bound=NDArray[Any])


class Store(Generic[Kept]):
    """Arrays by what they depend on, as many as there is room for; the least used go first."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._kept: OrderedDict[Any, Kept] = OrderedDict()
        self._lock, self._making = Lock(), Lock()

    def get(self, key: Any, make: Callable[[], Kept]) -> Kept:
        """Return what is kept under a key, made if need be; one is made at a time."""
        found = self._found(key)
        if found is not None:
            return found
        with self._making:
            found = self._found(key)
            if found is None:
                found = make()
                self._keep(key, found)
            return found

    def _found(self, key: Any) -> Kept | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def _keep(self, key: Any, array: Kept) -> None:
        with self._lock:
            self._kept[key] = array
            while len(self._kept) > 1 and sum(a.nbytes for a in self._kept.values()) > (
                self._most_bytes
            ):
                self._kept.popitem(last=False)


@dataclass(frozen=True)
class Tones:
    """What of colour and tone is tried: of the roll's settings, and of a frame's own.

    None stands for what holds already.
    """

    roll: Mapping[str, Any] | None = None
    frame: Mapping[str, Any] | None = None


class Pictures:
    """Pictures of a roll for the screen, kept as long as there is room. Safe for threads."""

    def __init__(self) -> None:
        self._exposures: Store[Float32] = Store(_PICTURE_BYTES)
        self._strips: Store[NDArray[np.float16]] = Store(_STRIP_BYTES)

    def frame(
        self, surveyed: SurveyedRoll, placed: Placed, side: int, tones: Tones | None = None
    ) -> NDArray[np.uint8]:
        """Return a frame as its shared picture of so many pixels shows it (h, w, 3) uint8.

        Raises ScanProblem if the scan can't be read any more. Raises SettingsProblem if what is
        tried makes no sense.
        """
        strip, frame = surveyed.strips[placed.strip], placed.frame
        roll, settings, own = _tried(surveyed, placed, tones or Tones())
        turn, written = frame.turn, frame.written
        light = FrameLight(
            strip.scan,
            turn.corners(written.outline),
            written.base.turned(turn),
            strip.ppi,
            dust_to_mend(strip, settings),
            columns_first=turn.swaps,
        )
        key = (
            strip.scan.path,
            light.outline,
            light.base,
            light.dust,
            roll.unmask,
            roll.curves,
            roll.balance if strip.scan.bits <= 8 else None,
            side,
        )
        exposures = self._exposures.get(repr(key), lambda: exposure_picture(light, roll, side))
        return shown_exposures(exposures, own.colour, rendition_of(settings, surveyed.tone, own))

    def strip(self, strip: StripSurvey) -> NDArray[np.float16]:
        """Return density above base (h, w, 3) all over a strip, as its pictures stand.

        Raises ScanProblem if the scan can't be read any more.
        """
        base = strip_base(strip)

        def make() -> NDArray[np.float16]:
            light = reduced_light(strip.scan, strip.outline, STRIP_SIDE)
            return np.clip(to_density_above(light, base), -2.0, 6.0).astype(np.float16)

        return self._strips.get(repr((strip.scan.path, strip.outline, base)), make)


def strip_base(strip: StripSurvey) -> FrameBase:
    """Return the base all over a strip, as its pictures stand."""
    some = strip.frames[0].base if strip.frames else None
    turned = some is not None and some.left > some.right
    over = some is not None and some.top > some.bottom
    x, y = (-1.0 if turned else 1.0), (-1.0 if over else 1.0)
    return FrameBase(strip.base.shading, -x, x, -y, y, strip.base.illumination)


def strip_picture(
    densities: NDArray[np.float16], surveyed: SurveyedRoll, strip: StripSurvey, negative: bool
) -> NDArray[np.uint8]:
    """Return a strip as it was scanned, or with the roll's colour, (h, w, 3) uint8."""
    if negative:
        return small_negative(densities, strip_base(strip))
    rendition = rendition_of(surveyed.roll.settings, surveyed.tone)
    return small_picture(densities, surveyed.colour, rendition, strip.doubt(densities))


def small_frame(surveyed: SurveyedRoll, placed: Placed, negative: bool) -> Pixels:
    """Return a frame's small picture (h, w, 3) uint8, positive or as scanned."""
    frame, own = placed.frame, placed.frame.colour
    densities = np.asarray(frame.survey.thumbnail)
    if negative:
        small = small_negative(densities, frame.survey.base)
    else:
        rendition = rendition_of(surveyed.roll.settings, surveyed.tone, own)
        small = small_picture(densities, own.colour, rendition, frame.survey.doubt())
    cut = as_written(small, frame.survey.outline, frame.written.outline, frame.turn)
    return np.ascontiguousarray(cut)


def as_jpeg(picture: NDArray[np.uint8]) -> bytes:
    """Return a picture as a JPEG file, for the eye."""
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=_QUALITY)
    return file.getvalue()


def as_bitmap(picture: NDArray[np.uint8]) -> bytes:
    """Return a picture as a BMP file: its pixels as they are, in no time."""
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "BMP")
    return file.getvalue()


def _tried(
    surveyed: SurveyedRoll, placed: Placed, tones: Tones
) -> tuple[RollColour, Settings, FrameColour]:
    """Return the roll's colour and settings, and the frame's colour, with what is tried."""
    roll, settings = surveyed.colour, surveyed.roll.settings
    if tones.roll is not None:
        was, settings = settings, with_changes(settings, tones.roll)
        more = np.subtract(settings.balance or (0.0,) * 3, was.balance or (0.0,) * 3)
        roll = brightened(roll, settings.exposure - was.exposure)
        roll = replace(roll, balance=as_triple(np.add(roll.balance, more)))
    key, frame = placed.key, placed.frame
    wish = own_correction(surveyed, key)
    if tones.frame is not None:
        told = {name: value for name, value in tones.frame.items() if value is not None}
        (wish,) = read_corrections([{"exposure": 0.0, **told, "number": "00"}])
    named = () if wish is None else (replace(wish, number=key),)
    strip = replace(surveyed.strips[placed.strip], frames=(frame.survey,))
    rows, _ = frame_colours([strip], roll, 0.0, surveyed.usual, named, [[frame.written.outline]])
    return roll, settings, rows[0][0]


def own_correction(surveyed: SurveyedRoll, key: str) -> FrameCorrection | None:
    """Return what the notes say of a frame by its key."""
    return next((entry for entry in surveyed.roll.notes.frames if entry.key == key), None)
