"""What became of each file of an ingest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field

from dynostats.errors import DynostatsError
from dynostats.ingest import ChannelReading, Finding
from dynostats.warehouse import NewPull
from dynostats.words import as_paragraphs, count


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A pull that is in the warehouse, committed.

    Args:
        pull: Its name.
        file: The file, as it was found.
        sha256: SHA-256 of the file's bytes.
        rows: Number of samples.
        channels: Names of the channels stored.
        readings: What each column of the file became.
        findings: What was noticed.
        excluded: Why it is left out of the analyses; "" when it is not.
    """

    pull: str
    file: str
    sha256: str
    rows: int
    channels: tuple[str, ...]
    readings: tuple[ChannelReading, ...]
    findings: tuple[Finding, ...]
    excluded: str

    def to_dict(self) -> dict[str, object]:
        """Return the entry of the JSON contract, with more keys."""
        return {
            "pull": self.pull,
            "file": self.file,
            "sha256": self.sha256,
            "rows": self.rows,
            "channels": list(self.channels),
            "readings": [asdict(reading) for reading in self.readings],
            "findings": [asdict(finding) for finding in self.findings],
            "excluded": self.excluded or None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """A file that needed nothing done."""

    file: str
    reason: str

    def to_dict(self) -> dict[str, object]:
        """Return the entry of the JSON contract."""
        return {"file": self.file, "reason": self.reason}


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A file that could not be taken: what is wrong, where, and how to mend it."""

    file: str
    what: str
    where: str
    mend: str

    def to_dict(self) -> dict[str, object]:
        """Return the entry of the JSON contract."""
        return {"file": self.file, "what": self.what, "where": self.where, "mend": self.mend}


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestReport:
    """What became of each file, in the order the files were found.

    Args:
        stored: One entry a pull.
        skipped: One entry a file that needed nothing done.
        refused: One entry a file that could not be taken.
        sheets: The sheets that gave the labels.
        left_out: Pulls of ingests before this one that are left out now, and why: one that was
            broken off did not come to it, or the pulls stored now show it.
    """

    stored: tuple[Stored, ...]
    skipped: tuple[Skipped, ...]
    refused: tuple[Refused, ...]
    sheets: tuple[str, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict[str, str])

    def to_dict(self) -> dict[str, object]:
        """Return the JSON of the contract."""
        return {
            "stored": [entry.to_dict() for entry in self.stored],
            "skipped": [entry.to_dict() for entry in self.skipped],
            "refused": [entry.to_dict() for entry in self.refused],
            "sheets": list(self.sheets),
            "left_out": [{"pull": pull, "why": why} for pull, why in self.left_out.items()],
        }

    def _repr_html_(self) -> str:
        files = len({entry.sha256 for entry in self.stored})
        return as_paragraphs(
            [
                (
                    f"Stored {count(len(self.stored), 'pull')} from {count(files, 'file')}; "
                    f"skipped {len(self.skipped)}; refused {len(self.refused)}."
                ),
                *(f"Refused {one.file}: {one.what} {one.mend}" for one in self.refused),
                *(
                    f"{one.pull} is left out of the analyses: {one.excluded}"
                    for one in self.stored
                    if one.excluded
                ),
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far an ingest is.

    Args:
        done: Files dealt with.
        total: Files found.
        committed: Pulls committed since the last report; these survive whatever happens next.
    """

    done: int
    total: int
    committed: tuple[Stored, ...] = ()


def say_nothing(_: Progress) -> None:
    """Take the place of a progress report nobody asked for."""


def stored_entry(pull: str, new: NewPull, *, file: str) -> Stored:
    """Return the entry for a pull that was just committed."""
    return Stored(
        pull=pull,
        file=file,
        sha256=new.source.sha256,
        rows=new.samples.height,
        channels=tuple(new.samples.columns),
        readings=tuple(new.readings),
        findings=tuple(new.findings),
        excluded=new.void or "",
    )


def refusal(file: str, error: DynostatsError) -> Refused:
    """Return the entry for a file that raised an error."""
    return Refused(file=file, what=error.what, where=error.where or file, mend=error.mend)
