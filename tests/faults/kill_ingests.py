"""Kill ingests in the middle: alive when the signal comes, and not done."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from fault_logs import LOGS
from ingest_and_tell import BATCH

_BATCHES = LOGS // BATCH
# A helper whose parent was killed must end by itself; a busy computer needs its time for that.
_HELPERS_END_S = 120


@dataclass(frozen=True, kw_only=True)
class Killed:
    """What an ingest that was killed had told by then.

    Args:
        real: Whether it was alive when the signal came and had not told that it was done.
        told: Pulls it reported as stored.
        helpers: Processes that read beside it.
    """

    real: bool
    told: list[dict[str, str]]
    helpers: list[int]


class Killer:
    """Kills ingests at random moments, spread over their whole work however busy the computer is.

    A moment is a number of batches that are reported as stored, and a share of the time from
    there to the next report.
    """

    def __init__(
        self, command: Callable[[Path], Sequence[str]], warehouse: Path, *, how: str
    ) -> None:
        """Time an ingest that nobody kills."""
        self.how = {"alone": "one process", "helped": "with a helper process"}[how]
        self.command = command
        with _started(command(warehouse)) as process:
            clock = [time.monotonic()]
            lines = []
            for line in process.stdout:
                lines.append(line)
                clock.append(time.monotonic())
        told = _entries(lines, "pull")
        assert len(told) == LOGS
        assert lines[-1] == "done\n"
        first = next(place for place, line in enumerate(lines) if '"pull"' in line)
        self._first_s = clock[first + 1] - clock[0]
        self._batch_s = (clock[-2] - clock[first + 1]) / (_BATCHES - 1)
        self._end_s = clock[-1] - clock[-2]

    def kill(self, warehouse: Path, chance: Random, *, most_batches: int = _BATCHES) -> Killed:
        """Begin an ingest and kill it."""
        # The beginning and the end of the work are short, and met as often as all in between.
        batches = chance.choice([0, most_batches, chance.randint(0, most_batches)])
        wait_s = {0: self._first_s, _BATCHES: self._end_s}.get(batches, self._batch_s)
        with _started(self.command(warehouse)) as process:
            lines = []
            while len(_entries(lines, "pull")) < batches * BATCH and lines[-1:] != ["done\n"]:
                lines.append(process.stdout.readline())
            time.sleep(chance.uniform(0, wait_s))
            process.send_signal(signal.SIGKILL)
            # The helpers hold standard error too: reading it to its end waits for theirs.
            rest, errors = process.communicate(timeout=_HELPERS_END_S)
        lines += [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]
        assert errors == "", "neither the killed process nor its helpers complain"
        helpers = [pid for entry in _entries(lines, "helpers") for pid in entry["helpers"]]
        return Killed(
            real=process.returncode == -signal.SIGKILL and "done\n" not in lines,
            told=_entries(lines, "pull"),
            helpers=helpers,
        )


def _started(command: Sequence[str]) -> subprocess.Popen[str]:
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "ready\n"
    return process


def _entries(lines: Sequence[str], key: str) -> list[dict]:
    found = [json.loads(line) for line in lines if line.startswith("{")]
    return [entry for entry in found if key in entry]
