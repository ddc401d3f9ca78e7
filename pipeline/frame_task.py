"""The work on one frame, in a worker: from a window of its scan to its files."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.area_mean import AreaMean, reduced_size
from pipeline.colour import RollColour
from pipeline.dust_frame import mended_bands
from pipeline.frame_survey import FrameSurvey
from pipeline.infrared import CrossTalk
from pipeline.kinds import Corners, Float32, Pixels
from pipeline.look import Levels, as_log, as_print, share_showing, showing, to_codes
from pipeline.metadata import FrameMetadata, frame_metadata
from pipeline.monochrome import as_grey, is_one_channel
from pipeline.picture_edge import written_area
from pipeline.print_tone import PrintTone
from pipeline.record import FilesRecord, FrameRecord, StripRecord
from pipeline.render import (
    Band,
    FrameBase,
    SceneBands,
    code_bands,
    light_bands,
    picture_size,
    to_scene,
)
from pipeline.resample import BAND_ROWS
from pipeline.scan import Scan
from pipeline.settings import RollNotes, Settings
from pipeline.space import LinearTransfer, PowerTransfer, Space, find_space
from pipeline.write import write_archive, write_share, write_sidecar

DUST_ENDING = ".dust.png"
# A whole number of bands, so that none lies on two strips.
_STRIP_ROWS = BAND_ROWS
_SHARE_ENDINGS = {"jpeg": "jpg", "png": "png"}


@dataclass(frozen=True)
class FrameTask:
    """All that a worker needs for one frame; a description, never a picture."""

    out: Path
    scan: Scan
    outline: Corners
    base: FrameBase
    ppi: float
    colour: RollColour
    settings: Settings
    notes: RollNotes
    strip: StripRecord
    frame: FrameRecord
    roll: str
    profile: str
    tone: PrintTone = field(default_factory=PrintTone)
    cross_talk: CrossTalk | None = None


def frame_files(stem: str | None, settings: Settings, split: bool) -> FilesRecord:
    """Return the names of a frame's files; none without a stem."""
    if stem is None:
        return FilesRecord()
    share = (
        None if split or settings.share == "none" else f"{stem}.{_SHARE_ENDINGS[settings.share]}"
    )
    archive = f"{stem}.tif" if split or settings.archive == "tiff" else None
    return FilesRecord(archive, share, f"{stem}.xmp")


def _metadata(task: FrameTask, look: str) -> FrameMetadata:
    return frame_metadata(
        task.notes,
        task.strip,
        task.frame,
        roll=task.roll,
        profile=task.profile,
        look=look,
        digitized=task.scan.digitized,
        device=task.scan.device,
    )


def _area(task: FrameTask) -> tuple[Corners, FrameBase]:
    """Return outline and base of what is written of a task's frame."""
    return written_area(
        task.outline, task.base, settings=task.settings, ppi=task.ppi, scan=task.scan
    )


def _levels(settings: Settings) -> Levels:
    plain = Levels()
    return Levels(settings.black or plain.black, settings.white or plain.white, settings.gamma)


def tone_of(tone: PrintTone, settings: Settings) -> PrintTone:
    """Return the roll's tone; where the user gives a black or white point, it overrules it."""
    plain = PrintTone()
    return PrintTone(
        tone.contrast if settings.white is None else plain.contrast,
        tone.black if settings.black is None else plain.black,
    )


def develop(task: FrameTask) -> tuple[str, ...]:
    """Turn one frame into its positive files; return their names.

    Their names reach the disk with the journal's, which is written next.

    Raises
    ------
    ScanProblem
        If its window can't be read.
    OutputProblem
        If a file can't be written.
    """
    cv2.setNumThreads(1)
    files = task.frame.files
    frame = _Frame(task)
    metadata = _metadata(task, task.settings.look)
    if files.archive is not None:
        space, kind = _archive_form(task.settings)
        write_archive(
            task.out / files.archive,
            frame.archive_bands(),
            frame.archive_size,
            kind,
            space=space,
            ppi=_ppi(task, task.settings.archive_size, frame.size),
            metadata=metadata,
            packing=task.settings.archive_packing,
            settle=False,
        )
    if files.share is not None:
        write_share(
            task.out / files.share,
            frame.share_picture(),
            ppi=_ppi(task, task.settings.share_size, frame.size),
            metadata=metadata,
            file_format=task.settings.share,
            quality=task.settings.share_quality,
            settle=False,
        )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, metadata, settle=False)
    mask = _write_mask(task, frame, metadata)
    return tuple(name for name in (files.archive, files.share, files.sidecar, mask) if name)


def _archive_form(settings: Settings) -> tuple[Space, str]:
    """Return the space of archive files and the type of their samples."""
    if settings.look == "linear":
        return find_space("acescg"), "float32"
    if settings.look == "log":
        return find_space("acescct"), "uint16"
    return find_space(settings.archive_space), "uint16"


class _Frame:
    """One frame on its way from light to pictures, a band of rows at a time, in one pass."""

    def __init__(self, task: FrameTask) -> None:
        settings, colour = task.settings, task.colour
        outline, base = _area(task)
        self.size = picture_size(outline)
        self.archive_size = reduced_size(self.size, settings.archive_size)
        share_size = reduced_size(self.size, settings.share_size)
        self._task, self._grey = task, is_one_channel(colour)
        self._light = _Light(task, outline, base)
        self._scene = SceneBands(base, colour, self.size)
        tone, levels = tone_of(task.tone, settings), _levels(settings)
        self._share_way = share_showing(settings.look, find_space("srgb"), levels, tone)
        self._archive_way = None
        if settings.look not in ("linear", "log"):
            space = find_space(settings.archive_space)
            self._archive_way = showing(space, levels, tone, printed=True)
        self._archive_mean = AreaMean(self.size, self.archive_size)
        self._share_mean = AreaMean(self.size, share_size)
        self._share = np.empty((*share_size, 3), np.uint8) if task.frame.files.share else None
        self._shared = 0

    def archive_bands(self) -> Iterator[Pixels]:
        """Yield bands of the archive picture; the share picture is made on the way."""
        linear = self._task.settings.look == "linear"
        kind = np.dtype(np.float32 if linear else np.uint16)
        strips = _Strips(self.archive_size, kind, self._written)
        way = self._archive_way
        for top, light in self._light.bands():
            rows = strips.room(light.shape[1])
            if way is not None and self.archive_size == self.size and rows is not None:
                self._add_to_share(self._scene.shown(light, top, way, rows, self._grey), top)
                yield from strips.filled(len(rows))
            else:
                scene = self._scene.of(light, top)
                self._add_to_share(scene, top)
                yield from strips.of(self._shown(self._archive_mean.of(scene, top)))

    def share_picture(self) -> NDArray[np.uint8]:
        """Return the share picture, made now if no archive was."""
        if self._share is None:
            raise ValueError("there is no picture to share")
        if self._shared < len(self._share):
            for top, light in self._light.bands():
                self._add_to_share(self._scene.of(light, top), top)
        return self._share

    @property
    def dust(self) -> NDArray[np.uint8] | None:
        """Return where dust was mended, if that is to be told."""
        return self._light.mask

    def _add_to_share(self, scene: Float32, top: int) -> None:
        from pipeline.code_kernel import eight_bits

        if self._share is None:
            return
        small = self._share_mean.of(scene, top)
        if not small.shape[1]:
            return
        until = self._shared + small.shape[1]
        eight_bits(self._share_way.of(small), self._share[self._shared : until], self._grey)
        self._shared = until

    def _shown(self, scene: Float32) -> Float32:
        """Return planes of the archive picture's values for a band of scene light."""
        if self._task.settings.look == "linear":
            return scene
        return as_log(scene) if self._archive_way is None else self._archive_way.of(scene)

    def _written(self, planes: Float32, pixels: Pixels) -> None:
        """Fill pixels (n, w, 3) of the archive picture with planes of its values."""
        from pipeline.code_kernel import sixteen_bits

        if pixels.dtype.kind == "f":
            pixels[:] = as_grey(np.moveaxis(planes, 0, 2), self._task.colour)
        else:
            sixteen_bits(np.ascontiguousarray(planes), pixels, self._grey)


class _Strips:
    """Planes of any height in, pixels of one height out, but for the last.

    The pixels are good until the next are asked for.
    """

    def __init__(
        self,
        size: tuple[int, int],
        kind: np.dtype[Any],
        fill: Callable[[Float32, Pixels], None],
    ) -> None:
        self._left, self._fill = size[0], fill
        self._pixels = np.empty((min(_STRIP_ROWS, size[0]), size[1], 3), kind)
        self._filled = 0

    def of(self, planes: Float32) -> Iterator[Pixels]:
        """Yield the strips that planes (3, n, columns) complete."""
        at = 0
        while at < planes.shape[1]:
            stop = min(planes.shape[1], at + len(self._pixels) - self._filled)
            until = self._filled + stop - at
            self._fill(planes[:, at:stop], self._pixels[self._filled : until])
            yield from self.filled(stop - at)
            at = stop

    def room(self, count: int) -> Pixels | None:
        """Return the next rows to fill, or None if they lie on two strips."""
        until = self._filled + count
        return self._pixels[self._filled : until] if until <= len(self._pixels) else None

    def filled(self, count: int) -> Iterator[Pixels]:
        """Yield the strip that so many more rows complete, if they do."""
        self._filled += count
        if self._filled == len(self._pixels):
            yield self._pixels
            self._left, self._filled = self._left - self._filled, 0
            self._pixels = self._pixels[: self._left]


class _Light:
    """A frame's light in bands; where dust was mended is kept if that is wanted."""

    def __init__(self, task: FrameTask, outline: Corners, base: FrameBase) -> None:
        self._task, self._outline, self._base = task, outline, base
        talk, settings = task.cross_talk, task.settings
        self._talk = talk if settings.dust == "on" and talk and talk.verdict == "dust" else None
        wanted = self._talk is not None and settings.save_dust_mask
        self.mask = np.empty(picture_size(outline), np.uint8) if wanted else None

    def bands(self) -> Iterator[Band]:
        """Yield the light, straightened, and mended where its dust is known."""
        scan, outline, ppi = self._task.scan, self._outline, self._task.ppi
        if self._talk is None:
            yield from light_bands(scan, outline)
            return
        for top, light, touched in mended_bands(scan, outline, self._base, self._talk, ppi):
            if self.mask is not None:
                self.mask[top : top + len(touched)] = touched
            yield top, light


def _write_mask(task: FrameTask, frame: _Frame, metadata: FrameMetadata) -> str | None:
    """Write where dust was mended, if that is wanted; return the file's name."""
    sidecar, dust = task.frame.files.sidecar, frame.dust
    if dust is None or sidecar is None:
        return None
    name = f"{sidecar.removesuffix('.xmp')}{DUST_ENDING}"
    picture = np.repeat(dust[..., None], 3, axis=2)
    write_share(task.out / name, picture, ppi=task.ppi, metadata=metadata, file_format="png")
    return name


def _ppi(task: FrameTask, long_side: int | None, size: tuple[int, int]) -> float:
    """Return the resolution on film of a picture after it was reduced."""
    longest = max(size)
    return task.ppi * float(min(1.0, (long_side or longest) / longest))


def _scanner_space(scan: Scan) -> Space:
    """Return a space that carries the scan's tone curve; its primaries stand in for none known."""
    plain = find_space("srgb")
    encoding = scan.encoding
    if encoding.kind == "linear":
        transfer = LinearTransfer()
        return replace(plain, name="negative", title="Negative, linear", transfer=transfer)
    if encoding.kind == "gamma" and encoding.gamma:
        power = PowerTransfer(encoding.gamma, 0.0, 0.0, 0.0)
        return replace(
            plain, name="negative", title=f"Negative, gamma {encoding.gamma:g}", transfer=power
        )
    return replace(plain, name="negative", title="Negative")


def _full_scale(codes: NDArray[np.generic], bits: int) -> NDArray[np.uint16] | Float32:
    """Return integer codes of so many bits spread over 16, floats as float32."""
    if codes.dtype.kind != "u":
        return np.asarray(codes, np.float32)
    if codes.dtype == np.uint16 and bits == 16:
        return np.asarray(codes, np.uint16)
    full = 2**bits - 1
    held = np.minimum(np.asarray(codes, np.float64), full)
    return np.asarray(np.rint(held * (65535.0 / full)), np.uint16)


def negative(task: FrameTask) -> tuple[str, ...]:
    """Cut one frame out of its scan as a negative, codes as scanned; return its files' names.

    Only the resampling that straightens it touches the codes; those of less than 16 bits are
    spread over 16 (of 8 bits: multiplied by 257), which keeps their light. A scan with a tone
    curve of its own is written in linear light.
    """
    cv2.setNumThreads(1)
    scan, files = task.scan, task.frame.files
    space = _scanner_space(scan)
    outline, _ = _area(task)
    size = picture_size(outline)
    kind = "float32" if scan.stored.floating else "uint16"
    bands: Iterator[Pixels]
    if scan.encoding.kind in ("curve", "parametric"):
        space, kind = replace(space, title="Negative, linear", transfer=LinearTransfer()), "uint16"
        bands = (
            np.asarray(to_codes(np.moveaxis(light, 0, 2), 16), np.uint16)
            for _, light in light_bands(scan, outline)
        )
    else:
        bands = (_full_scale(codes, scan.stored.bits) for codes in code_bands(scan, outline))
    metadata = _metadata(task, "negative")
    write_archive(
        task.out / str(files.archive),
        bands,
        size,
        kind,
        space=space,
        ppi=task.ppi,
        metadata=metadata,
        packing=task.settings.archive_packing,
        settle=False,
    )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, metadata, settle=False)
    return tuple(name for name in (files.archive, files.sidecar) if name)


def thumbnail_picture(
    frame: FrameSurvey, colour: RollColour, settings: Settings, tone: PrintTone | None = None
) -> NDArray[np.uint8]:
    """Return a frame's small sRGB picture (h, w, 3) uint8 for the contact sheet and the page."""
    scene = to_scene(np.asarray(frame.thumbnail, np.float32), colour)
    tone = tone_of(tone or PrintTone(), settings)
    shown = as_print(scene, find_space("srgb"), _levels(settings), tone)
    return as_grey(np.asarray(to_codes(shown, 8), np.uint8), colour)
