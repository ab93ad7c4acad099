"""The rows of a run sheet: every pull of a study in the order it is to be run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from dynostats.analysis.planning.orders import Letter

Role = Literal["warm_up", "A", "B", "cool_down"]

# Common practice, no published source: two pulls bring oil, coolant and cooler to the temperatures
# that they keep between pulls, and a run at light load carries heat away after the last.
WARM_UPS = 2
COOL_DOWNS = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What a study's pulls are called.

    Args:
        engine: The engine.
        dyno: The dyno; "" where it has no name.
        baseline: Setup of the letter A.
        candidate: Setup of the letter B.
        session: Name of the session; with several, a number is put behind it.
    """

    engine: str
    dyno: str
    baseline: str
    candidate: str
    session: str

    def setup(self, letter: Letter) -> str:
        """Return the setup that a letter stands for."""
        return self.baseline if letter == "A" else self.candidate

    def sessions(self, number: int) -> tuple[str, ...]:
        """Return the names of so many sessions."""
        if number == 1:
            return (self.session,)
        return tuple(f"{self.session}-{at}" for at in range(1, number + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPull:
    """One row of a run sheet.

    Args:
        session: Session.
        role: A or B for a pull that is compared.
        setup: What is fitted; for the others what they are.
        order: Place among the session's compared pulls, from 1; None for the others.
        file: Name its log shall have.
        note: What to do.
    """

    session: str
    role: Role
    setup: str
    order: int | None
    file: str
    note: str


def lay_run_sheet(orders: Sequence[Sequence[Letter]], names: Names) -> tuple[PlannedPull, ...]:
    """Return every pull of a study in order: warm-up, compared pulls, cool-down, by session."""
    sessions = names.sessions(len(orders))
    return tuple(
        row
        for session, order in zip(sessions, orders, strict=True)
        for row in _session_rows(session, order, names)
    )


def _session_rows(session: str, order: Sequence[Letter], names: Names) -> Iterator[PlannedPull]:
    first = names.setup(order[0])
    for number in range(1, WARM_UPS + 1):
        yield PlannedPull(
            session=session,
            role="warm_up",
            setup="warm-up",
            order=None,
            file=f"{session}-warm-up-{number}.csv",
            note=f"full pull with {first} fitted; not compared",
        )
    fitted = first
    for place, letter in enumerate(order, start=1):
        setup = names.setup(letter)
        yield PlannedPull(
            session=session,
            role=letter,
            setup=setup,
            order=place,
            file=f"{session}-{place:02d}.csv",
            note=f"fit {setup}" if setup != fitted else "",
        )
        fitted = setup
    for _ in range(COOL_DOWNS):
        yield PlannedPull(
            session=session,
            role="cool_down",
            setup="cool-down",
            order=None,
            file=f"{session}-cool-down.csv",
            note="light load until temperatures have settled; not compared",
        )
