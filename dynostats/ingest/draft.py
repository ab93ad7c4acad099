"""A log while its columns are being understood."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from dynostats.arrays import Flags, Floats
from dynostats.ingest.channels import Channel, Match, Reference, UserRule
from dynostats.ingest.log import Ambient, Finding, Severity

LOADED_SHARE = 0.5


@dataclass(slots=True, kw_only=True)
class Column:
    """One column on its way to a stored channel.

    Args:
        source: Header as found; "" for a derived channel.
        number: Number of the column in the file, from 1; 0 for a derived one.
        channel: Name it is stored under.
        match: The name that was recognised; None for a column that has none.
        spec: Entry of the channel table it stands for; None once it stands for none.
        unit: Unit of `values`; "" while unknown.
        source_unit: Unit of the file's numbers, short name or words as found.
        values: Shape (rows,), NaN where missing.
        how: Sentences on how name, unit and reference were decided.
        reference: What the file or the user says about a pressure in so many words.
    """

    source: str
    number: int
    channel: str
    match: Match | None
    spec: Channel | None
    unit: str
    source_unit: str
    values: Floats
    how: list[str]
    reference: Reference = ""

    @property
    def rule(self) -> UserRule | None:
        """Return the user's rule that named the column, or None."""
        return self.match.rule if self.match else None

    def demote(self, channel: str, why: str) -> None:
        """Keep the column under a name that no analysis takes for the stored channel."""
        self.channel = channel
        self.spec = None
        self.how.append(why)


@dataclass(slots=True, kw_only=True)
class Draft:
    """The columns of a log and what was found out about them.

    Args:
        name: Name of the file.
        columns: In file order.
        air: Air of the cell: columns, then sheet, then preamble.
        findings: Growing.
    """

    name: str
    columns: list[Column]
    air: Ambient
    findings: list[Finding] = field(default_factory=list[Finding])

    def tell(
        self, check: str, severity: Severity, message: str, rows: Iterable[tuple[int, int]] = ()
    ) -> None:
        """Keep a finding."""
        found = Finding(check=check, severity=severity, message=message, rows=tuple(rows))
        self.findings.append(found)

    def get(self, channel: str) -> Column | None:
        """Return the column stored under a name, or None."""
        return next((column for column in self.columns if column.channel == channel), None)

    def known(self) -> Iterable[Column]:
        """Return the columns that stand for a channel of the table."""
        return [column for column in self.columns if column.spec is not None]

    def free_name(self, wanted: str, number: int) -> str:
        """Return a name no other column has."""
        taken = {column.channel for column in self.columns}
        return wanted if wanted not in taken else f"{wanted}_column_{number}"

    def loaded_rows(self) -> Flags:
        """Return which rows carry load: half the largest torque (or power) and more; else all."""
        for channel in ("torque", "power"):
            column = self.get(channel)
            if column is not None and np.isfinite(column.values).any():
                return np.greater(column.values, LOADED_SHARE * np.nanmax(column.values))
        return np.ones(self.columns[0].values.size, dtype=np.bool_)


def clean_name(text: str) -> str:
    """Return a header as a column name: letters, digits and underscores.

    Example:
        >>> clean_name("Wastegate duty (rear)")
        'wastegate_duty_rear'
    """
    return re.sub(r"\W+", "_", text.lower()).strip("_")
