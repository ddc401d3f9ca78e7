"""Bad inputs through the command: `python -m tests.hostile.fuzz --count 500`.

Printed are faults (tracebacks, endings without a sentence, files left lying about), exit codes,
the longest time and the greatest memory that one input took.
"""

import argparse
import sys
import tempfile
import warnings
from collections.abc import Sequence
from pathlib import Path

from tests.hostile.files import Originals
from tests.hostile.fuzzed import fuzz


def main(arguments: Sequence[str] | None = None) -> int:
    """Try so many inputs and print what became of them; 1 if any went wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="seed of the first input")
    told = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="evenroll-fuzz-") as folder:
        originals = Originals(Path(folder) / "originals")
        # A warning is a remark on stderr that no user can make sense of.
        warnings.simplefilter("error")
        total = fuzz(originals, Path(folder) / "one", range(told.first, told.first + told.count))
    print(f"inputs {total.count}: {dict(sorted(total.kinds.items()))}")
    print(f"exit codes {dict(sorted(total.codes.items()))}")
    print(f"longest {total.seconds:.1f} s, memory taken {total.taken_mb:.0f} MB")
    print(f"faults: {len(total.faults)}")
    for seed, fault in total.faults:
        print(f"--- {seed}\n{fault[-1500:]}")
    return int(bool(total.faults))


if __name__ == "__main__":
    sys.exit(main())
