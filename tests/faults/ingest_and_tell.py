"""Ingest a folder in small batches and print each pull as soon as it is reported as stored.

With "helped" a helper process reads beside this one, as it does for thousands of files.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import dynostats as ds
from dynostats.intake import Progress, readers, run

BATCH = 4


def say(line: str) -> None:
    """Print a line so that it is out before anything else happens."""
    print(line, flush=True)  # noqa: T201 - this is what the parent reads


def tell(progress: Progress) -> None:
    """Print the pulls of a commit, at once."""
    for entry in progress.committed:
        say(json.dumps({"pull": entry.pull, "file": entry.file}))


def call_a_helper() -> None:
    """Let a helper read even these few files, and do its first ones before this process joins in.

    Otherwise all would be read before it has started.
    """
    answer = readers._Helpers._answer
    asked = []

    def wait_for_the_first(self, message):
        if not asked:
            asked.append(message)
            message.answer.result()
            say(json.dumps({"helpers": [helper.pid for helper in self._all]}))
        return answer(self, message)

    readers.FILES_WORTH_HELPERS = 1
    readers._FILES_A_MESSAGE = 2
    readers._processors = lambda: 2
    readers._Helpers._answer = wait_for_the_first


if __name__ == "__main__":
    logs, warehouse, how = sys.argv[1:]
    run.BATCH_FILES = BATCH
    if how == "helped":
        call_a_helper()
    say("ready")
    ds.open_warehouse(warehouse).ingest(Path(logs), progress=tell)
    say("done")
