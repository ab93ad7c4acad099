"""Reading many files with all processors: helpers beside this process, each a Python of its own.

Reading is Python work, so threads do not speed it up. The helpers run
`python -m dynostats.intake.helper` and are spoken to through pipes: unlike the process pools of
the standard library they do not import the user's script again, which may have no main guard.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from queue import SimpleQueue
from typing import IO, Self, cast

from dynostats.errors import InputError
from dynostats.ingest import ChannelTable
from dynostats.intake.pulls import Outcome, Result, Task, outcomes_of, read_files

# Starting a helper costs as much as reading some 150 files.
FILES_WORTH_HELPERS = 600
MOST_HELPERS = 8
_FILES_A_MESSAGE = 25
# Files go through the pipes by the megabyte: less of it at a time is more switching.
_PIPE_BYTES = 1 << 20
# The helpers are the parallelism; threads within them would only fight for the processors.
_ONE_THREAD_EACH = {
    "POLARS_MAX_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}

Read = Callable[[Sequence[Task]], Iterable[Outcome]]


@contextlib.contextmanager
def reader(table: ChannelTable, *, files: int) -> Generator[Read]:
    """Hand out a function that reads files, in their order, as fast as this computer can.

    The function starts at once when there are helpers; without them it reads as its result is
    asked for.

    Args:
        table: The channel table.
        files: How many files there will be; helpers are worth it for many only.
    """
    helpers = min(_processors(), MOST_HELPERS)
    if files < FILES_WORTH_HELPERS or helpers < 2:
        yield lambda tasks: _read_here(tasks, table)
        return
    with _Helpers(table, count=helpers) as team:
        yield team.read


def _read_here(tasks: Sequence[Task], table: ChannelTable) -> Iterator[Outcome]:
    """Read files in this process, some at a time, as they are asked for."""
    for some in _messages(tasks):
        yield from outcomes_of(some, read_files(some, table=table))


def _messages(tasks: Sequence[Task]) -> list[Sequence[Task]]:
    starts = range(0, len(tasks), _FILES_A_MESSAGE)
    return [tasks[start : start + _FILES_A_MESSAGE] for start in starts]


class _Helpers:
    """Processes that read, and a thread for each that waits for it."""

    def __init__(self, table: ChannelTable, *, count: int) -> None:
        command = [sys.executable, "-m", "dynostats.intake.helper"]
        self._all = [
            subprocess.Popen(  # noqa: S603 - our own module
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pipesize=_PIPE_BYTES,
                env=os.environ | _ONE_THREAD_EACH,
            )
            for _ in range(count)
        ]
        self._free: SimpleQueue[subprocess.Popen[bytes]] = SimpleQueue()
        for helper in self._all:
            _send(helper.stdin, table)
            self._free.put(helper)
        self._waiting = ThreadPoolExecutor(max_workers=count)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._waiting.shutdown(cancel_futures=True)
        for helper in self._all:
            helper.communicate()  # closes its input, which ends it

    def read(self, tasks: Sequence[Task]) -> Iterator[Outcome]:
        # The threads begin with all messages now; the results are handed out in order.
        answers = self._waiting.map(self._ask, _messages(tasks))
        return (outcome for answer in answers for outcome in answer)

    def _ask(self, tasks: Sequence[Task]) -> list[Outcome]:
        helper = self._free.get()
        try:
            _send(helper.stdin, tasks)
            results = cast("list[Result]", _receive(helper.stdout))
        except (OSError, EOFError) as error:
            raise InputError(
                "a helper process that reads files stopped unexpectedly",
                where=f"{tasks[0].shown} to {tasks[-1].shown}",
                mend="Run the same command again; ingest these files one by one if it recurs.",
            ) from error
        finally:
            self._free.put(helper)
        return outcomes_of(tasks, results)


def _send(pipe: IO[bytes] | None, message: object) -> None:
    if pipe is not None:
        pickle.dump(message, pipe, protocol=pickle.HIGHEST_PROTOCOL)
        pipe.flush()


def _receive(pipe: IO[bytes] | None) -> object:
    # Only what our own helper wrote into its own pipe is ever read here.
    return None if pipe is None else pickle.load(pipe)  # noqa: S301


def _processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
