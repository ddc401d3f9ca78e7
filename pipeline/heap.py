"""Memory that was let go, given back to the system."""

import ctypes


def give_back() -> None:
    """Give free memory back to the system where its allocator can be asked to (glibc).

    Between what stays, such as one scan's small records, that of large arrays is kept and seldom
    fits the next ones: over a thousand scans it would come to gigabytes.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return
    trim(0)
