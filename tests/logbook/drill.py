"""Kill either side of a sync, 200 times, and see that nothing is lost or there twice: the command line of the drill."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.logbook.sync_drill import drill


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--corrections", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    with TemporaryDirectory() as folder:
        sys.stdout.write(drill(told.kills, told.runs, told.corrections, told.seed, Path(folder)) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
