"""Reading many files with all processors: this process, and helpers beside it.

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
import threading
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from queue import Empty, SimpleQueue
from typing import IO, Self, cast

from dynostats.ingest import ChannelTable
from dynostats.intake.pulls import Outcome, Result, Task, outcomes_of, read_files

# Starting a helper costs as much as reading some 500 files, and it takes half of the files at most.
FILES_WORTH_HELPERS = 1500
MOST_HELPERS = 7
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

# What speaking with a process that has ended raises.
_STOPPED = (OSError, EOFError, pickle.UnpicklingError)

Read = Callable[[Sequence[Task]], Iterable[Outcome]]


@contextlib.contextmanager
def reader(table: ChannelTable, *, files: int) -> Generator[Read]:
    """Hand out a function that reads files, in their order, as fast as this computer can.

    Helpers begin at once; without them, files are read as the result is asked for.

    Args:
        table: The channel table.
        files: How many files there will be; helpers are worth it for many only.
    """
    helpers = min(_processors() - 1, MOST_HELPERS)
    if files < FILES_WORTH_HELPERS or helpers < 1:
        yield lambda tasks: _read_here(tasks, table)
        return
    with _Helpers(table, count=helpers) as team:
        yield team.read


def _read_here(tasks: Sequence[Task], table: ChannelTable) -> Iterator[Outcome]:
    """Read files in this process, some at a time, as they are asked for."""
    for some in _messages(tasks):
        yield from _outcomes(some, table)


def _outcomes(tasks: Sequence[Task], table: ChannelTable) -> list[Outcome]:
    return outcomes_of(tasks, read_files(tasks, table=table))


def _messages(tasks: Sequence[Task]) -> list[Sequence[Task]]:
    starts = range(0, len(tasks), _FILES_A_MESSAGE)
    return [tasks[start : start + _FILES_A_MESSAGE] for start in starts]


@dataclass(frozen=True, slots=True, eq=False)
class _Message:
    """Some files, and what will have become of them."""

    tasks: Sequence[Task]
    answer: Future[list[Outcome]] = field(default_factory=Future[list[Outcome]])


class _Helpers:
    """Processes that read, and a thread for each that speaks with it.

    All of them, and this process while it waits, take the next message that nobody has taken: a
    helper that is still starting, or that is slow, keeps nobody waiting.
    """

    def __init__(self, table: ChannelTable, *, count: int) -> None:
        self._table = table
        self._waiting: SimpleQueue[_Message | None] = SimpleQueue()
        self._all = [
            subprocess.Popen(
                [sys.executable, "-m", "dynostats.intake.helper"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pipesize=_PIPE_BYTES,
                env=os.environ | _ONE_THREAD_EACH,
            )
            for _ in range(count)
        ]
        self._speaking = [
            threading.Thread(target=self._speak_with, args=(helper,)) for helper in self._all
        ]
        for thread in self._speaking:
            thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(Empty):
            while True:  # what nobody will ask for any more
                self._waiting.get_nowait()
        for _thread in self._speaking:
            self._waiting.put(None)
        for thread in self._speaking:
            thread.join()
        for process in self._all:
            process.communicate()  # closes its input, which ends it

    def read(self, tasks: Sequence[Task]) -> Iterator[Outcome]:
        """Read files; the results are handed out in order."""
        messages = [_Message(some) for some in _messages(tasks)]
        for message in messages:
            self._waiting.put(message)
        return (outcome for message in messages for outcome in self._answer(message))

    def _answer(self, message: _Message) -> list[Outcome]:
        """Return what became of a message; read those that nobody has taken until it is there."""
        while not message.answer.done():
            try:
                other = self._waiting.get_nowait()
            except Empty:
                break
            if other is not None:
                self._answer_with(other, partial(_outcomes, other.tasks, self._table))
        return message.answer.result()

    def _speak_with(self, helper: subprocess.Popen[bytes]) -> None:
        """Give a helper message after message; take its place if it stops."""
        try:
            _send(helper.stdin, self._table)
            _receive(helper.stdout)  # it says that it is ready
        except _STOPPED:
            return
        while (message := self._waiting.get()) is not None:
            try:
                _send(helper.stdin, message.tasks)
                results = cast("list[Result]", _receive(helper.stdout))
            except _STOPPED:
                self._answer_with(message, partial(_outcomes, message.tasks, self._table))
                return
            self._answer_with(message, partial(outcomes_of, message.tasks, results))

    def _answer_with(self, message: _Message, outcomes: Callable[[], list[Outcome]]) -> None:
        try:
            message.answer.set_result(outcomes())
        except BaseException as error:  # noqa: BLE001 - whoever waits for the answer raises it
            message.answer.set_exception(error)


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
