"""The work on one frame, in a worker: from a window of its scan to its files."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.dust_frame import cut_mended
from pipeline.frame_survey import FrameSurvey
from pipeline.infrared import CrossTalk
from pipeline.look import Levels, as_log, as_print, as_share, to_codes
from pipeline.metadata import FrameMetadata, frame_metadata
from pipeline.monochrome import as_grey
from pipeline.picture_edge import written_area
from pipeline.print_tone import PrintTone
from pipeline.record import FilesRecord, FrameRecord, StripRecord
from pipeline.render import FrameBase, cut_codes, cut_light, shrunk, to_density_above, to_scene
from pipeline.resample import Corners
from pipeline.scan import Scan
from pipeline.settings import RollNotes, Settings
from pipeline.space import LinearTransfer, PowerTransfer, Space, find_space
from pipeline.write import write_archive, write_share, write_sidecar

DUST_ENDING = ".dust.png"
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

    Raises
    ------
    ScanProblem
        If its window can't be read.
    OutputProblem
        If a file can't be written.
    """
    cv2.setNumThreads(1)
    settings, files = task.settings, task.frame.files
    outline, base = _area(task)
    light, dust = _light(task, outline, base)
    scene = to_scene(to_density_above(light, base), task.colour)
    del light
    metadata = _metadata(task, settings.look)
    if files.archive is not None:
        _write_archive(task, scene, metadata)
    if files.share is not None:
        srgb = find_space("srgb")
        small = shrunk(scene, settings.share_size)
        tone = tone_of(task.tone, settings)
        picture = to_codes(as_share(small, settings.look, srgb, _levels(settings), tone), 8)
        write_share(
            task.out / files.share,
            as_grey(np.asarray(picture, np.uint8), task.colour),
            ppi=_ppi(task, settings.share_size, scene),
            metadata=metadata,
            file_format=settings.share,
            quality=settings.share_quality,
        )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, metadata)
    mask = _write_mask(task, dust, metadata)
    return tuple(name for name in (files.archive, files.share, files.sidecar, mask) if name)


def _light(
    task: FrameTask, outline: Corners, base: FrameBase
) -> tuple[NDArray[np.float32], NDArray[np.uint8] | None]:
    """Return a frame's light, and where dust was mended; None where none was looked for."""
    talk = task.cross_talk
    if task.settings.dust == "off" or talk is None or talk.verdict != "dust":
        return cut_light(task.scan, outline), None
    return cut_mended(task.scan, outline, base, talk, task.ppi)


def _write_mask(
    task: FrameTask, dust: NDArray[np.uint8] | None, metadata: FrameMetadata
) -> str | None:
    """Write where dust was mended, if that is wanted; return the file's name."""
    sidecar = task.frame.files.sidecar
    if dust is None or sidecar is None or not task.settings.save_dust_mask:
        return None
    name = f"{sidecar.removesuffix('.xmp')}{DUST_ENDING}"
    picture = np.repeat(dust[..., None], 3, axis=2)
    write_share(task.out / name, picture, ppi=task.ppi, metadata=metadata, file_format="png")
    return name


def _ppi(task: FrameTask, long_side: int | None, picture: NDArray[np.float32]) -> float:
    """Return the resolution on film of a picture after it was reduced."""
    longest = max(picture.shape[0], picture.shape[1])
    return task.ppi * float(min(1.0, (long_side or longest) / longest))


def _write_archive(task: FrameTask, scene: NDArray[np.float32], metadata: FrameMetadata) -> None:
    settings = task.settings
    light = shrunk(scene, settings.archive_size)
    picture: NDArray[np.uint16] | NDArray[np.float32]
    if settings.look == "linear":
        space, picture = find_space("acescg"), light
    elif settings.look == "log":
        space, picture = find_space("acescct"), np.asarray(to_codes(as_log(light), 16), np.uint16)
    else:
        space = find_space(settings.archive_space)
        tone = tone_of(task.tone, settings)
        shown = as_print(light, space, _levels(settings), tone)
        picture = np.asarray(to_codes(shown, 16), np.uint16)
    write_archive(
        task.out / str(task.frame.files.archive),
        as_grey(picture, task.colour),
        space=space,
        ppi=_ppi(task, settings.archive_size, scene),
        metadata=metadata,
        packing=settings.archive_packing,
    )


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


def _full_scale(codes: NDArray[np.generic], bits: int) -> NDArray[np.uint16] | NDArray[np.float32]:
    """Return integer codes of so many bits spread over 16, floats as float32."""
    if codes.dtype.kind != "u":
        return np.asarray(codes, np.float32)
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
    picture: NDArray[np.uint16] | NDArray[np.float32]
    if scan.encoding.kind in ("curve", "parametric"):
        space = replace(space, title="Negative, linear", transfer=LinearTransfer())
        picture = np.asarray(to_codes(cut_light(scan, outline), 16), np.uint16)
    else:
        codes = cut_codes(scan, outline)
        picture = _full_scale(codes, scan.stored.bits)
    metadata = _metadata(task, "negative")
    write_archive(
        task.out / str(files.archive),
        picture,
        space=space,
        ppi=task.ppi,
        metadata=metadata,
        packing=task.settings.archive_packing,
    )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, metadata)
    return tuple(name for name in (files.archive, files.sidecar) if name)


def thumbnail_picture(
    frame: FrameSurvey, colour: RollColour, settings: Settings, tone: PrintTone | None = None
) -> NDArray[np.uint8]:
    """Return a frame's small sRGB picture (h, w, 3) uint8 for the contact sheet and the page."""
    scene = to_scene(np.asarray(frame.thumbnail, np.float32), colour)
    tone = tone_of(tone or PrintTone(), settings)
    shown = as_print(scene, find_space("srgb"), _levels(settings), tone)
    return as_grey(np.asarray(to_codes(shown, 8), np.uint8), colour)
