"""The frames of a roll that are to be written: a task for each, and what its files depend on."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.frame_task import FrameTask
from pipeline.journal import key_of
from pipeline.metadata import frame_metadata
from pipeline.record import FilesRecord, FrameRecord, RollRecord, StripRecord
from pipeline.rendition import Rendition, rendition_of
from pipeline.roll_survey import RollFrame, SurveyedRoll
from pipeline.strip_survey import StripSurvey


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
    rendition = rendition_of(surveyed.roll.settings, surveyed.tone)
    return [
        _job(surveyed, strip, placed, replace(told, frames=(), densities=None), frame,
             record.look, rendition, out)
        for strip, row, told in zip(surveyed.strips, surveyed.frames, record.strips, strict=True)
        for placed, frame in zip(row, told.frames, strict=True)
        if frame.files != FilesRecord()
    ]  # fmt: skip


def job_name(roll: str, frame: FrameRecord) -> str:
    """Return the name of a frame in messages and the journal."""
    return f"{roll}_{frame.number}"


def _job(
    surveyed: SurveyedRoll,
    strip: StripSurvey,
    placed: RollFrame,
    told: StripRecord,
    frame: FrameRecord,
    look: str,
    rendition: Rendition,
    out: Path,
) -> Job:
    roll, scan = surveyed.roll, strip.scan
    # Corrections of other frames leave this one as it is.
    notes = replace(roll.notes, frames=())
    metadata = frame_metadata(
        notes,
        told,
        frame,
        roll=roll.name,
        profile=surveyed.profile.name,
        look=look,
        digitized=scan.digitized,
        device=scan.device,
    )
    talk = strip.cross_talk
    mends = roll.settings.dust == "on" and talk is not None and talk.verdict == "dust"
    task = FrameTask(
        out=out,
        scan=scan,
        outline=placed.outline,
        base=placed.base,
        ppi=strip.ppi,
        colour=placed.colour.colour,
        rendition=rendition,
        files=frame.files,
        metadata=metadata,
        dust=talk if mends else None,
        save_dust_mask=roll.settings.save_dust_mask,
    )
    # Settings tell what of the frame as found is written. Names and order are part of the keys.
    depends_on = {
        "outline": placed.survey.outline,
        "base": placed.survey.base,
        "ppi": strip.ppi,
        "colour": placed.colour.colour,
        "settings": roll.settings,
        "notes": notes,
        "strip": told,
        "frame": frame,
        "roll": roll.name,
        "profile": surveyed.profile.name,
        "tone": surveyed.tone,
        "cross_talk": talk,
    }
    return Job(task, job_name(roll.name, frame), depends_on)
