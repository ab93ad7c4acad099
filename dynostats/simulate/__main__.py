"""Write the demo shop's files, or the set for a first comparison, into a folder."""

from __future__ import annotations

import argparse
from pathlib import Path

from dynostats.simulate.demo import demo_shop
from dynostats.simulate.files import write_demo
from dynostats.simulate.first_comparison import write_first_comparison
from dynostats.simulate.scenario import DEFAULT_SEED


def main() -> None:
    """Write the files that the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m dynostats.simulate", description=__doc__)
    parser.add_argument("folder", type=Path, help="where the files go")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="seed of the demo shop")
    parser.add_argument(
        "--first-comparison", action="store_true", help="the hand-checkable set instead of the shop"
    )
    options = parser.parse_args()
    if options.first_comparison:
        written = write_first_comparison(options.folder)
    else:
        written = write_demo(demo_shop(options.seed), options.folder)
    print(f"{len(written)} files written to {options.folder}")  # noqa: T201 - this is its output


if __name__ == "__main__":
    main()
