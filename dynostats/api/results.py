"""What the functions of a warehouse give: frozen results that are dicts, frames and pictures."""

from __future__ import annotations

from dataclasses import dataclass, fields
from html import escape
from typing import TYPE_CHECKING, Any

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.warehouse import Correction
from dynostats.words import as_paragraphs

if TYPE_CHECKING:
    import altair as alt

_LISTED = (
    "pull",
    "file",
    "engine",
    "dyno",
    "session",
    "setup",
    "order",
    "started",
    "state",
    "why",
    "rpm_low",
    "rpm_high",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PullList:
    """What is stored.

    Args:
        frame: One row a pull: labels, state and why, range of speed, ambient.
    """

    frame: pl.DataFrame

    def to_dict(self) -> dict[str, object]:
        """Return the JSON of the contract."""
        return {"pulls": self.frame.select(_LISTED).to_dicts()}

    def _repr_html_(self) -> str:
        return self.frame.select(_LISTED)._repr_html_()  # pyright: ignore[reportPrivateUsage]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QueryAnswer:
    """The rows a query gave.

    Args:
        frame: The rows.
    """

    frame: pl.DataFrame

    def to_dict(self) -> dict[str, object]:
        """Return column names and rows."""
        return {"columns": self.frame.columns, "rows": self.frame.to_dicts()}

    def _repr_html_(self) -> str:
        return self.frame._repr_html_()  # pyright: ignore[reportPrivateUsage]


@dataclass(frozen=True, slots=True, kw_only=True)
class Amended:
    """A correction that now stands in the warehouse's history.

    Args:
        pull: The pull.
        correction: What was changed, from what to what, why and by whom.
    """

    pull: str
    correction: Correction

    def to_dict(self) -> dict[str, object]:
        """Return the correction as plain values."""
        return {
            "pull": self.pull,
            "field": self.correction.field,
            "old": self.correction.old,
            "new": self.correction.new,
            "why": self.correction.why,
            "who": self.correction.who,
        }

    def _repr_html_(self) -> str:
        was = self.correction
        return as_paragraphs(
            [
                (
                    f"{self.pull}: {was.field} is now {was.new or 'empty'} "
                    f"(was {was.old or 'empty'}), by {was.who}: {was.why}"
                )
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding(Comparison):
    """A comparison that can draw itself."""

    @classmethod
    def of(cls, result: Comparison) -> Finding:
        """Return a comparison with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self) -> alt.LayerChart:
        """Return the effect curve with its simultaneous band and regions."""
        from dynostats.charts import effect_chart

        return effect_chart(self)

    def _repr_html_(self) -> str:
        from dynostats.report.sentences import answer, where

        return as_html(" ".join((answer(self), *where(self))), self.chart())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Family:
    """Several candidates against one baseline, their bounds holding together.

    Args:
        findings: One a candidate, in the order asked.
    """

    findings: tuple[Finding, ...]

    @property
    def frame(self) -> pl.DataFrame:
        """Return one row a candidate: verdict, band mean with its bounds, pulls."""
        return pl.DataFrame(
            [
                {
                    "candidate": one.candidate,
                    "verdict": one.verdict,
                    "effect_pct": one.overall.effect_pct,
                    "low_pct": one.overall.low_pct,
                    "high_pct": one.overall.high_pct,
                    "baseline_pulls": one.pulls.baseline,
                    "candidate_pulls": one.pulls.candidate,
                }
                for one in self.findings
            ],
            schema_overrides={"low_pct": pl.Float64, "high_pct": pl.Float64},
        )

    def to_dict(self) -> dict[str, object]:
        """Return the comparisons, each as the contract has it."""
        return {"comparisons": [one.to_dict() for one in self.findings]}

    def _repr_html_(self) -> str:
        return self.frame._repr_html_()  # pyright: ignore[reportPrivateUsage]


def fields_of(result: Any) -> dict[str, Any]:  # noqa: ANN401 - any dataclass
    """Return the fields of a result by name, for a result that adds a chart and a view to it."""
    return {field.name: getattr(result, field.name) for field in fields(result)}


def as_html(sentence: str, chart: alt.LayerChart) -> str:
    """Return a sentence and a picture that needs no script and no network."""
    import vl_convert

    return f"<p>{escape(sentence)}</p>{vl_convert.vegalite_to_svg(chart.to_dict())}"
