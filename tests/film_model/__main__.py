"""Command line: `python -m tests.film_model --seed 3 --film film-b --out DIR`."""

import argparse

from .random_roll import FRAMES_PER_ROLL, random_roll
from .scan_file import write_scan
from .scanner import scanner_names
from .stock import film_names


def main(words: list[str] | None = None) -> int:
    """Make a random roll and write its scans with their truth."""
    parser = argparse.ArgumentParser(prog="tests.film_model", description=main.__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--film", choices=film_names())
    parser.add_argument("--scanner", choices=scanner_names())
    parser.add_argument("--format", choices=list(FRAMES_PER_ROLL), default="135")
    parser.add_argument("--ppi", type=float, default=300.0)
    parser.add_argument("--frames", type=int)
    parser.add_argument("--per-scan", type=int, default=1)
    parser.add_argument("--charts", type=int, default=1)
    parser.add_argument("--no-faults", action="store_true")
    parser.add_argument("--out", required=True)
    args = parser.parse_args(words)
    scans = random_roll(
        args.seed,
        args.format,
        args.film,
        args.scanner,
        args.ppi,
        args.frames,
        args.per_scan,
        charts=args.charts,
        faults=not args.no_faults,
    )
    for index, scan in enumerate(scans, start=1):
        print(write_scan(args.out, f"strip-{index:02d}", scan))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
