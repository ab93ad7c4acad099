"""A helper process of an ingest: reads the files it is told to. Started by `readers`."""

from __future__ import annotations

import contextlib
import gc
import pickle
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from dynostats.intake.pulls import Task, read_files

if TYPE_CHECKING:
    from dynostats.ingest import ChannelTable


def help_reading() -> None:
    """Read the channel table from standard input, then lists of files until there are no more."""
    table = cast("ChannelTable", pickle.load(sys.stdin.buffer))  # noqa: S301 - from our own parent
    gc.freeze()  # what is loaded stays: nobody need look through it again and again
    answer("ready")
    while True:
        tasks = cast("Sequence[Task]", pickle.load(sys.stdin.buffer))  # noqa: S301 - likewise
        answer(read_files(tasks, table=table))


def answer(message: object) -> None:
    """Write to standard output what our parent will read."""
    pickle.dump(message, sys.stdout.buffer, protocol=pickle.HIGHEST_PROTOCOL)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    # The parent closes the pipe, or is gone, perhaps in the middle of a message.
    with contextlib.suppress(EOFError, OSError, pickle.UnpicklingError, KeyboardInterrupt):
        help_reading()
