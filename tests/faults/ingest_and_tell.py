"""Ingest a folder in small batches and print each pull as soon as it is reported as stored."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from dynostats.intake import Progress, ingest, run

BATCH = 4


def say(line: str) -> None:
    """Print a line so that it is out before anything else happens."""
    print(line, flush=True)  # noqa: T201 - this is what the parent reads


def tell(progress: Progress) -> None:
    """Print the pulls of a commit, at once."""
    for entry in progress.committed:
        say(json.dumps({"pull": entry.pull, "file": entry.file}))


if __name__ == "__main__":
    run.BATCH_FILES = BATCH
    say("ready")
    ingest([Path(sys.argv[1])], warehouse=Path(sys.argv[2]), progress=tell)
    say("done")
