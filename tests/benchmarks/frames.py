"""The frames of a roll as tasks, kept beside its scans for the ways that are compared."""

import pickle
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pipeline.frame_task import FrameTask
from pipeline.roll_folder import gather_rolls
from pipeline.roll_jobs import jobs_of
from pipeline.roll_record import record_of
from pipeline.roll_survey import survey_roll


def frame_tasks(scans: Path) -> list[FrameTask]:
    """Return the tasks that `evenroll convert` makes of a folder; surveyed once, then kept."""
    kept = scans / "tasks.pickle"
    if not kept.is_file():
        (roll,) = gather_rolls((scans,), {}, None)
        with ThreadPoolExecutor(2) as executor:
            surveyed = survey_roll(roll, executor, lambda event: None)
        jobs = jobs_of(surveyed, record_of(surveyed), Path())
        kept.write_bytes(pickle.dumps([job.task for job in jobs]))
    tasks: list[FrameTask] = pickle.loads(kept.read_bytes())
    return tasks
