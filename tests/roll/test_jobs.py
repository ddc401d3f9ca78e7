"""Frames to do: what a worker is handed, and what decides whether a frame is done anew."""

import pickle
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.record.record import FilesRecord
from pipeline.roll.frame_task import Job, jobs_of
from pipeline.roll.record import record_of
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings

# Keys of files that stand are made of these names in this order: none may change by itself.
PARTS = [
    "outline", "base", "ppi", "colour", "settings", "notes", "strip", "frame", "own", "roll",
    "profile", "tone", "cross_talk", "written",
]  # fmt: skip


@pytest.fixture(scope="module")
def surveyed(model_roll: Path) -> SurveyedRoll:
    roll = Roll("harbour", tuple(sorted(model_roll.glob("*.tif"))), RollNotes(), Settings())
    with ThreadPoolExecutor(2) as pool:
        return survey_roll(roll, pool, lambda event: None)


def jobs(surveyed: SurveyedRoll, out: str = "out") -> list[Job]:
    return jobs_of(surveyed, record_of(surveyed), Path(out))


def test_every_frame_with_files_is_a_job(surveyed: SurveyedRoll):
    record = record_of(surveyed)
    written = [frame for frame in record.frames() if frame.files != FilesRecord()]
    assert [job.task.files for job in jobs(surveyed)] == [frame.files for frame in written]
    assert [job.name for job in jobs(surveyed)] == [f"harbour_{frame.number}" for frame in written]


def test_tasks_are_small_and_tell_what_is_written_in_the_files(surveyed: SurveyedRoll):
    for job in jobs(surveyed):
        assert len(pickle.dumps(job.task)) < 8000
        assert job.task.metadata.title == job.name.replace("_", " ")
        assert job.task.metadata.look == "print"


def test_keys_are_of_all_that_decides_but_the_folder(surveyed: SurveyedRoll):
    here, there = jobs(surveyed)[0], jobs(surveyed, "elsewhere")[0]
    assert list(here.depends_on) == PARTS
    assert here.key("a", split=False) == there.key("a", split=False)
    other = replace(surveyed, roll=replace(surveyed.roll, settings=Settings(share_quality=80)))
    keys = {
        here.key("a", split=False),
        here.key("b", split=False),
        here.key("a", split=True),
        jobs(other)[0].key("a", split=False),
    }
    assert len(keys) == 4
