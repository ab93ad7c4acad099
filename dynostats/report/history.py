"""The page of all past studies: the answer, the forest, the kinds, the best, what fell."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from dynostats.analysis.synthesis import History
from dynostats.charts.history import MOST_SHOWN, forest_chart
from dynostats.charts.theme import MINUS
from dynostats.report.numbers import decimal
from dynostats.report.page import render_static, write_page
from dynostats.report.pictures import draw_static
from dynostats.report.view.method import Provenance, provenance_rows

_CAPTION: Final = (
    "Points: each study by itself, with its interval; dark where it stands out among all. Rings: "
    "what is left of it beside its fellows. Diamonds: the mean of a kind over engines, with its "
    "interval; the pale bar holds the true effect on the next engine."
)


def _signed(value: float | None) -> str:
    """Return a number with two decimals and its sign, "" for none."""
    return "" if value is None else decimal(value, 2, signed=True)


def _span(low: float | None, high: float | None) -> str:
    """Return an interval with signs, "" where there is none."""
    return "" if low is None or high is None else f"{_signed(low)} to {_signed(high)}"


def _typeset(text: str) -> str:
    """Return a sentence with true minus signs: a hyphen before a number, after a space or (."""
    return re.sub(r"(?<=[ (±])-(?=\d)", MINUS, text)


def render_history(result: History, *, provenance: Provenance | None = None) -> str:
    """Return the history as one HTML page that loads nothing from anywhere."""
    judged = result.studies.drop_nulls("p_value").height
    return render_static(
        "history.html.j2",
        result=result,
        signed=_signed,
        span=_span,
        typeset=_typeset,
        level=f"{1.0 - result.alpha:.0%}",
        rate=f"{result.alpha:.0%}",
        forest=draw_static(forest_chart(result), "forest") if judged else None,
        caption=_CAPTION
        + (f" The first {MOST_SHOWN} of {judged} studies." if judged > MOST_SHOWN else ""),
        provenance=provenance_rows(provenance),
    )


def write_history(result: History, path: Path, *, provenance: Provenance | None = None) -> Path:
    """Write that page and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    return write_page(render_history(result, provenance=provenance), path)
