"""A whole roll: survey, solve, render, report.

In: a `Roll` and an executor. Out: its folder of files, with what stands already left alone.

The parent alone keeps the journal, under a lock that the system lets go of with the process. A
file is written beside its place, brought to the disk and renamed. Temporary files are locked by
their writers, so a run sweeps those of dead ones only. Compressed scans are decoded once for all
their frames, into a scratch file without a name. Small pictures of long rolls lie on the disk. The
next roll is surveyed while the one before is written, and a roll's page is drawn while its frames
are. On a cluster each thread of a worker has one piece of work; that of a lost worker is done again
alone, and given up when it is lost twice.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
