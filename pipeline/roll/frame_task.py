"""The work on one frame, in a worker, from a window of its scan to its files; the jobs to do."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import __version__
from pipeline.colour import RollColour
from pipeline.dust import CrossTalk
from pipeline.kinds import Corners
from pipeline.record import FilesRecord, FrameRecord, RollRecord, StripRecord
from pipeline.render import (
    FrameLight,
    Positive,
    Rendition,
    negative_bands,
    picture_size,
    rendition_of,
)
from pipeline.roll.journal import key_of
from pipeline.roll.survey import RollFrame, SurveyedRoll
from pipeline.roll.written import dust_to_mend
from pipeline.scan import Scan, check_unchanged
from pipeline.settings import RollNotes, Settings
from pipeline.small_file import content_hash
from pipeline.strip import FrameBase
from pipeline.survey import StripSurvey
from pipeline.turn import AS_FOUND
from pipeline.write import FrameMetadata, frame_metadata, write_archive, write_share, write_sidecar

DUST_ENDING = ".dust.png"
_SHARE_ENDINGS = {"jpeg": "jpg", "png": "png"}


@dataclass(frozen=True)
class FrameTask:
    """All that a worker needs for one frame; a description, never a picture.

    `outline` and `base` are those of what is written of it; `dust` tells it in the infra-red
    plane, None where none is to be mended. Its files `left` stay as the user changed them.
    `columns_first` tells that it is turned by a quarter (see `render.upright`).
    """

    out: Path
    scan: Scan
    outline: Corners
    base: FrameBase
    ppi: float
    colour: RollColour
    rendition: Rendition
    files: FilesRecord
    metadata: FrameMetadata
    dust: CrossTalk | None = None
    save_dust_mask: bool = False
    left: tuple[str, ...] = ()
    columns_first: bool = False

    def to_write(self) -> FilesRecord:
        """Return the names of the files to write."""
        named = self.files.archive, self.files.share, self.files.sidecar
        return FilesRecord(*(None if name in self.left else name for name in named))


def frame_files(stem: str | None, settings: Settings, split: bool) -> FilesRecord:
    """Return the names of a frame's files; none without a stem."""
    if stem is None:
        return FilesRecord()
    share = (
        None if split or settings.share == "none" else f"{stem}.{_SHARE_ENDINGS[settings.share]}"
    )
    archive = f"{stem}.tif" if split or settings.archive == "tiff" else None
    return FilesRecord(archive, share, f"{stem}.xmp")


def develop(task: FrameTask) -> dict[str, str]:
    """Turn one frame into its positive files; return a hash of each file's bytes by its name.

    Their names reach the disk with the journal's, which is written next.

    Raises
    ------
    ScanProblem
        If its window can't be read, or its scan has changed since it was looked at.
    OutputProblem
        If a file can't be written.
    """
    cv2.setNumThreads(1)
    check_unchanged(task.scan)
    files, rendition, metadata = task.to_write(), task.rendition, task.metadata
    light = FrameLight(
        task.scan,
        task.outline,
        task.base,
        task.ppi,
        task.dust,
        task.save_dust_mask,
        task.columns_first,
    )
    frame = Positive(light, task.colour, rendition, files.share is not None)
    if files.archive is not None:
        space, kind = rendition.archive_form()
        write_archive(
            task.out / files.archive,
            frame.archive_bands(),
            frame.archive_size,
            kind,
            space=space,
            ppi=_ppi(task, rendition.archive_size, frame.size),
            metadata=metadata,
            packing=rendition.archive_packing,
        )
    if files.share is not None:
        write_share(
            task.out / files.share,
            frame.share_picture(),
            ppi=_ppi(task, rendition.share_size, frame.size),
            metadata=metadata,
            file_format=rendition.share,
            quality=rendition.share_quality,
        )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, metadata)
    mask = _write_mask(task, light.mask)
    return _hashes(task.out, files.archive, files.share, files.sidecar, mask)


def _hashes(folder: Path, *names: str | None) -> dict[str, str]:
    """Return hashes of files just written, which the system still holds in memory."""
    return {name: content_hash(folder / name) for name in names if name}


def _write_mask(task: FrameTask, dust: NDArray[np.uint8] | None) -> str | None:
    """Write where dust was mended, if that is wanted; return the file's name."""
    sidecar = task.files.sidecar
    if dust is None or sidecar is None:
        return None
    name = f"{sidecar.removesuffix('.xmp')}{DUST_ENDING}"
    if name in task.left:
        return None
    picture = np.repeat(dust[..., None], 3, axis=2)
    write_share(task.out / name, picture, ppi=task.ppi, metadata=task.metadata, file_format="png")
    return name


def _ppi(task: FrameTask, long_side: int | None, size: tuple[int, int]) -> float:
    """Return the resolution on film of a picture after it was reduced."""
    longest = max(size)
    return task.ppi * float(min(1.0, (long_side or longest) / longest))


def negative(task: FrameTask) -> dict[str, str]:
    """Cut one frame out of its scan as a negative, codes as scanned; return as `develop` does."""
    cv2.setNumThreads(1)
    check_unchanged(task.scan)
    files = task.to_write()
    if files.archive is not None:
        bands, space, kind = negative_bands(task.scan, task.outline, task.columns_first)
        write_archive(
            task.out / files.archive,
            bands,
            picture_size(task.outline),
            kind,
            space=space,
            ppi=task.ppi,
            metadata=task.metadata,
            packing=task.rendition.archive_packing,
        )
    if files.sidecar is not None:
        write_sidecar(task.out / files.sidecar, task.metadata)
    return _hashes(task.out, files.archive, files.sidecar)


@dataclass(frozen=True)
class Job:
    """One frame to do, its name in messages and the journal, and what its files depend on.

    The content of its scan is all that `depends_on` lacks, and whether frames are only cut.
    """

    task: FrameTask
    name: str
    depends_on: Mapping[str, Any]

    def key(self, scan_hash: str, split: bool) -> str:
        """Return a key of all that the frame's files depend on, by value."""
        scan = self.task.scan
        return key_of(__version__, split, scan_hash, scan.page, scan.encoding, self.depends_on)


def jobs_of(surveyed: SurveyedRoll, record: RollRecord, out: Path) -> list[Job]:
    """Return the frames of a roll that have files by its record, as they go into a folder."""
    roll = surveyed.roll
    # Corrections of other frames leave one as it is, and how it is turned may be its own. They
    # are made once: of a long roll a copy for each frame takes megabytes.
    settings = replace(roll.settings, turn=AS_FOUND.turn_deg, mirror=AS_FOUND.mirror)
    common = settings, replace(roll.notes, frames=())
    return [
        _job(surveyed, record, out, strip, told, placed, frame, common)
        for strip, row, told in zip(surveyed.strips, surveyed.frames, record.strips, strict=True)
        for placed, frame in zip(row, told.frames, strict=True)
        if frame.files != FilesRecord()
    ]


def job_name(roll: str, frame: FrameRecord) -> str:
    """Return the name of a frame in messages and the journal."""
    return f"{roll}_{frame.number}"


def _job(
    surveyed: SurveyedRoll,
    record: RollRecord,
    out: Path,
    strip: StripSurvey,
    told: StripRecord,
    placed: RollFrame,
    frame: FrameRecord,
    common: tuple[Settings, RollNotes],
) -> Job:
    roll, scan = surveyed.roll, strip.scan
    settings, notes = common
    turn, written = placed.turn, placed.written
    task = FrameTask(
        out=out,
        scan=scan,
        outline=turn.corners(written.whole if record.look == "negative" else written.outline),
        base=written.base.turned(turn),
        ppi=strip.ppi,
        colour=placed.colour.colour,
        rendition=rendition_of(roll.settings, surveyed.tone, placed.colour),
        files=frame.files,
        metadata=frame_metadata(notes, record, told, frame, scan.digitized, scan.device, turn),
        dust=dust_to_mend(strip, roll.settings),
        save_dust_mask=roll.settings.save_dust_mask,
        columns_first=turn.swaps,
    )
    # Names and order are part of the keys.
    depends_on = {
        "outline": placed.survey.outline,
        "base": placed.survey.base,
        "ppi": strip.ppi,
        "colour": placed.colour.colour,
        "settings": settings,
        "notes": notes,
        "strip": replace(told, frames=(), densities=None),
        "frame": frame,
        "own": (placed.colour.contrast, placed.colour.black, placed.colour.white),
        "roll": roll.name,
        "profile": surveyed.profile.name,
        "tone": surveyed.tone,
        "cross_talk": strip.cross_talk,
        "written": (written.outline, turn),
    }
    return Job(task, job_name(roll.name, frame), depends_on)
