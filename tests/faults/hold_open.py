"""Hold a warehouse open, for writing or for reading, until told to let go."""

from __future__ import annotations

import sys
from pathlib import Path

from dynostats.warehouse import open_store

if __name__ == "__main__":
    with open_store(Path(sys.argv[1]), write=sys.argv[2] == "write"):
        print("held", flush=True)  # noqa: T201 - the parent waits for it
        sys.stdin.readline()
