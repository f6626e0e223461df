"""`python -m sample_logs.generator [--out FOLDER]` writes the three sample benches anew."""

import argparse
from pathlib import Path

from sample_logs.generator.samples import write_samples


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m sample_logs.generator", description=__doc__)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(__file__).resolve().parents[1],
        help="folder to write the benches into (default: sample_logs)",
    )
    for folder in write_samples(parser.parse_args().out):
        print(folder)


if __name__ == "__main__":
    main()
