"""Write the demo shop's files: `python -m dynostats.simulate FOLDER [--seed N]`."""

from __future__ import annotations

import argparse
from pathlib import Path

from dynostats.simulate.demo import demo_shop
from dynostats.simulate.files import write_demo
from dynostats.simulate.scenario import DEFAULT_SEED


def main() -> None:
    """Write the demo into the folder named on the command line."""
    parser = argparse.ArgumentParser(prog="python -m dynostats.simulate", description=__doc__)
    parser.add_argument("folder", type=Path, help="where the files go")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="seed of the simulation")
    options = parser.parse_args()
    written = write_demo(demo_shop(options.seed), options.folder)
    print(f"{len(written)} files written to {options.folder}")  # noqa: T201 - this is its output


if __name__ == "__main__":
    main()
