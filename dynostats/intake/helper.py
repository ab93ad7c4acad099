"""A helper process of an ingest: reads the files it is told to. Started by `readers`."""

from __future__ import annotations

import contextlib
import pickle
import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, cast

from dynostats.intake.pulls import Outcome, Task, pulls_or_refusal
from dynostats.intake.report import Refused

if TYPE_CHECKING:
    from dynostats.ingest import ChannelTable


def help_reading() -> None:
    """Read the channel table from standard input, then lists of files until there are no more."""
    table = cast("ChannelTable", pickle.load(sys.stdin.buffer))  # noqa: S301 - from our own parent
    with contextlib.suppress(EOFError, KeyboardInterrupt):
        while True:
            tasks = cast("Sequence[Task]", pickle.load(sys.stdin.buffer))  # noqa: S301 - likewise
            outcomes = [lighten(pulls_or_refusal(task, table=table)) for task in tasks]
            pickle.dump(outcomes, sys.stdout.buffer, protocol=pickle.HIGHEST_PROTOCOL)
            sys.stdout.buffer.flush()


def lighten(outcome: Outcome) -> Outcome:
    """Return the outcome without the bytes of its file: who sent them has them already."""
    if isinstance(outcome, Refused):
        return outcome
    return [replace(pull, source=replace(pull.source, data=b"")) for pull in outcome]


if __name__ == "__main__":
    help_reading()
