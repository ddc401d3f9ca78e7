"""Run the command as `python -m pipeline`."""

from pipeline.command.cli import main

main()
