"""The detection and false-alarm rates as numbers, a page to read, and a chart."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import altair as alt
import polars as pl
import vl_convert as vlc
from scipy.stats import beta

from dynostats.charts.theme import PALETTE, layered

INTRODUCTION = """\
Simulated shops: three engines of 18 pulls each, every pull from its log file through ingest to
`check`. Shares with exact 95% intervals. *Found* and *accused* mean a void or doubtful finding, or
any finding on a label or of a danger. *Noise SDs* is the largest difference of any one number of
two setups' signatures over the true SD of that number between pulls of one session. Each fault
strikes {strikes} pulls, two an engine and shop; each kind of wrong label is looked for in {shops}
shops, and as many have nothing wrong.

```sh
nice .venv/bin/python tests/calibration/acceptance.py --rounds {rounds} --shops {shops}
```

Promised: of wrong labels whose setups differ by more than 4 noise SDs at least 95% are found, and
at most 1% of clean pulls are accused.
"""
HEAD = ["| what | how much | share | 95% | of | note |", "| --- | --- | --- | --- | --- | --- |"]


def exact_interval(hits: int, total: int) -> tuple[float, float]:
    """Return the exact 95% interval of a share. Source: Clopper & Pearson (1934), Biometrika 26."""
    low = float(beta.ppf(0.025, hits, total - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, total - hits)) if hits < total else 1.0
    return low, high


def row_of(
    table: str, what: str, size: str, counts: tuple[int, int], note: str = ""
) -> dict[str, object]:
    """Return one row of the result; counts are hits and of how many."""
    hits, total = counts
    low, high = exact_interval(hits, total) if total else (0.0, 1.0)
    return {
        "table": table,
        "what": what,
        "size": size,
        "hits": hits,
        "total": total,
        "share": hits / total if total else None,
        "low": low,
        "high": high,
        "note": note,
    }


def write_tables(rows: Sequence[dict[str, object]], out: Path, *, rounds: int, shops: int) -> None:
    """Write acceptance.csv, acceptance.md and acceptance.svg into a folder."""
    table = pl.DataFrame(rows, infer_schema_length=None).filter(pl.col("total") > 0)
    table.write_csv(out / "acceptance.csv", float_precision=5)
    (out / "acceptance.md").write_text(_page(table, rounds, shops), encoding="utf-8")
    (out / "acceptance.svg").write_text(_chart(table), encoding="utf-8")


def _page(table: pl.DataFrame, rounds: int, shops: int) -> str:
    introduction = INTRODUCTION.format(strikes=3 * rounds, rounds=rounds, shops=shops)
    lines = ["# Acceptance of pulls and labels: detection and false alarms", "", introduction]
    lines += ["![Share of faults found, by kind and severity](acceptance.svg)"]
    order = ["clean pulls accused", *(t for t in table["table"].unique(maintain_order=True))]
    for name in dict.fromkeys(order):
        lines += [
            "",
            f"## {name.capitalize()}",
            "",
            "| what | how much | share | 95% | of | note |",
        ]
        lines += ["| --- | --- | --- | --- | --- | --- |"]
        lines += [
            f"| {row['what']} | {row['size']} | {row['share']:.1%} | {row['low']:.1%} to "
            f"{row['high']:.1%} | {row['total']} | {row['note']} |"
            for row in table.filter(table=name).iter_rows(named=True)
        ]
    return "\n".join(lines) + "\n"


def _chart(table: pl.DataFrame) -> str:
    """Draw each fault's share found with its interval, plainest severity of a kind on top."""
    shown = table.filter(pl.col("table") == "faults found").with_columns(
        fault=pl.col("what") + ", " + pl.col("size")
    )
    faults = alt.Y("fault:N", sort=shown["fault"].to_list(), title=None)
    scale = alt.Scale(domain=[0, 1])
    axis = alt.Axis(format="%", title="found, of the pulls struck (exact 95% interval)")
    base = alt.Chart(shown).encode(y=faults)
    spans = base.mark_rule(strokeWidth=2, color=PALETTE["candidate"]).encode(
        x=alt.X("low:Q", scale=scale, axis=axis), x2="high:Q"
    )
    points = base.mark_point(filled=True, size=45, color=PALETTE["candidate"]).encode(
        x=alt.X("share:Q", scale=scale, axis=axis)
    )
    chart = layered([spans, points], width=420, height=17 * shown.height)
    return vlc.vegalite_to_svg(chart.to_json())
