"""The errors a user can meet: each says what is wrong, where, and how to mend it."""

from __future__ import annotations


class DynostatsError(Exception):
    """Something a user can mend; never shown as a traceback.

    Args:
        what: What is wrong, one sentence in the user's words.
        where: The file, line, column, pull or option it concerns; "" when it concerns the whole.
        mend: What the user can do about it.
    """

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        """Keep the three parts apart so that JSON can show them apart."""
        self.what = what
        self.where = where
        self.mend = mend
        super().__init__(" ".join(part for part in (self.headline(), mend) if part))

    def headline(self) -> str:
        """Return what and where as one sentence."""
        return f"{self.where}: {self.what}" if self.where else self.what

    def to_dict(self) -> dict[str, str]:
        """Return the three parts under the names of the JSON contract."""
        return {"what": self.what, "where": self.where, "mend": self.mend}


class InputError(DynostatsError):
    """A file, sheet or option holds something that cannot be read as what it should be."""


class WarehouseError(DynostatsError):
    """The warehouse file is missing, locked, damaged, too new, or lacks what was asked for."""


class AnalysisError(DynostatsError):
    """The data cannot answer the question as it was put."""
