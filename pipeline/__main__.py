"""Run the command: as `evenroll` where it is installed, and as `python -m pipeline`."""

import atexit
import os
import signal
import sys


def main() -> None:
    """Run the command and leave with its exit code."""
    # It takes a while to load, and Ctrl-C meanwhile is to end it without a traceback.
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    codes: list[int] = []
    # What is registered first is called last.
    atexit.register(_leave, codes)
    from pipeline.command.cli import main as run

    try:
        run()
    except SystemExit as ended:
        if isinstance(ended.code, int):
            codes.append(ended.code)
        raise


def _leave(codes: list[int]) -> None:
    """End the process where all is in order: threads have ended, libraries have cleared up.

    To take what is loaded to pieces would take half a second more.
    """
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    # A pipe or terminal that has gone, told as Python does.
    except (OSError, ValueError, AttributeError):
        return
    if codes:
        os._exit(codes[0])


if __name__ == "__main__":
    main()
