"""The floor: read all scans once, copy, and pack the same pictures as `evenroll convert` does.

`python -m tests.benchmarks.floor SCANS CONVERTED WORKERS` packs the files in CONVERTED again.
"""

import os
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from pipeline.frame_task import FrameTask
from pipeline.space import find_space
from pipeline.write import write_archive, write_share
from tests.benchmarks.frames import frame_tasks
from tests.benchmarks.measure import Section

_PIECE, _BAND = 8 << 20, 32


def read_and_copy(path: Path) -> None:
    """Read a file through a buffer used again, and copy each piece."""
    piece, copy = np.empty(_PIECE, np.uint8), np.empty(_PIECE, np.uint8)
    with path.open("rb", buffering=0) as handle:
        while count := handle.readinto(piece.data):
            copy[:count] = piece[:count]


def pack(
    task: FrameTask, archive: np.ndarray, share: np.ndarray, folder: Path, number: int
) -> None:
    """Write a frame's pictures as the product does."""
    metadata, copied = task.metadata, archive.copy()
    bands = (copied[top : top + _BAND] for top in range(0, len(copied), _BAND))
    write_archive(
        folder / f"{number}.tif", bands, copied.shape[:2], "uint16",
        space=find_space("romm-rgb"), ppi=task.ppi, metadata=metadata,
    )  # fmt: skip
    write_share(folder / f"{number}.jpg", share, ppi=task.ppi, metadata=metadata)


def main(scans: Path, converted: Path, workers: int) -> None:
    """Run and print the cost; a few frames' pictures stand for all."""
    tasks = frame_tasks(scans)
    files = [converted / str(task.files.archive) for task in tasks]
    some = [
        (tifffile.imread(file), np.asarray(Image.open(file.with_suffix(".jpg"))))
        for file in files[:: max(1, len(files) // 6)]
    ]
    pack(tasks[0], some[0][0][:64], some[0][1], Path(tempfile.mkdtemp()), 0)
    out = Path(tempfile.mkdtemp(dir=os.environ.get("BENCHMARK_OUT")))
    with Section(), ThreadPoolExecutor(workers) as pool:
        work = [pool.submit(read_and_copy, path) for path in sorted(scans.glob("*.tif"))]
        work += [
            pool.submit(pack, task, *some[k % len(some)], out, k) for k, task in enumerate(tasks)
        ]
        for future in work:
            future.result()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
