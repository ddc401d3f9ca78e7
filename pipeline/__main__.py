"""Run the command: as `evenroll` where it is installed, and as `python -m pipeline`."""

import signal


def main() -> None:
    """Run the command and leave with its exit code."""
    # It takes a while to load, and Ctrl-C meanwhile is to end it without a traceback.
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from pipeline.command.cli import main as run

    run()


if __name__ == "__main__":
    main()
