"""What a regression gives: a table of its terms, each with its interval, and what to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Literal

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from dynostats.arrays import Floats

Errors = Literal["cr2", "wild", "mixed", "independent"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Regression:
    """A regression with errors that hold.

    Args:
        formula: What was asked.
        errors: How the errors were reckoned: "cr2", "wild", "mixed" or "independent".
        by: Column whose rows share an error; "" where none do.
        within: Column whose every value keeps a level of its own; "" where there is none. The level
            is taken out, or random with "mixed".
        alpha: One less the level of the intervals.
        table: One row a term: term, estimate, se, df, low, high, p_value. Intervals and p values
            are each term's own; they do not hold together.
        rows: Rows used.
        left_out: Rows left out for want of a value.
        groups: Number of distinct values of `by`.
        sds: Standard deviation of the residuals, and of the levels that are random, in the
            response's unit.
        notes: What the reader must know.
    """

    formula: str
    errors: Errors
    by: str
    within: str
    alpha: float
    table: pl.DataFrame
    rows: int
    left_out: int
    groups: int
    sds: Mapping[str, float]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Return the regression as plain values."""
        return {
            "formula": self.formula,
            "errors": self.errors,
            "by": self.by,
            "within": self.within,
            "alpha": self.alpha,
            "terms": self.table.to_dicts(),
            "rows": self.rows,
            "left_out": self.left_out,
            "groups": self.groups,
            "sds": dict(self.sds),
            "notes": list(self.notes),
        }

    def headline(self) -> str:
        """Return in a line what was fitted, to how much, with which errors."""
        rest = [
            f"{self.rows} rows",
            *([f"{self.groups} clusters: {self.by}"] if self.by else []),
            *([f"a level for each {self.within}"] if self.within else []),
        ]
        return f"{self.formula}; {_NAMES[self.errors]}; {', '.join(rest)}"

    def _repr_html_(self) -> str:
        notes = "".join(f"<p>{escape(note)}</p>" for note in self.notes)
        table = self.table._repr_html_()  # pyright: ignore[reportPrivateUsage]
        return f"<p>{escape(self.headline())}</p>{table}{notes}"


_NAMES: dict[Errors, str] = {
    "cr2": "cluster-robust errors (CR2, Satterthwaite)",
    "wild": "p values of the wild cluster bootstrap",
    "mixed": "mixed model (REML, Satterthwaite)",
    "independent": "independent errors",
}


def table_of(
    names: tuple[str, ...],
    estimate: Floats,
    error: Floats,
    df: Floats,
    *,
    alpha: float,
    p_values: Floats | None = None,
) -> pl.DataFrame:
    """Return one row a term, with intervals and two-sided p values of Student's t.

    Args:
        names: Of the terms.
        estimate: Shape (terms,).
        error: Standard errors, shape (terms,).
        df: Degrees of freedom, shape (terms,).
        alpha: One less the level of the intervals.
        p_values: Others to stand in the place of Student's t, shape (terms,).
    """
    half = stdtrit(df, 1.0 - alpha / 2.0) * error
    safe = np.where(error > 0, error, 1.0)
    by_t = np.where(error > 0, 2.0 * stdtr(df, -np.abs(estimate) / safe), 0.0)
    return pl.DataFrame(
        {
            "term": list(names),
            "estimate": estimate,
            "se": error,
            "df": df,
            "low": estimate - half,
            "high": estimate + half,
            "p_value": by_t if p_values is None else p_values,
        }
    )
