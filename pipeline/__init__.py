"""Turn scans of colour negative film into positives, one rendition over the whole roll."""

import os

# Frames share the processors; threads of a library under them would but wait for each other.
# It is read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
