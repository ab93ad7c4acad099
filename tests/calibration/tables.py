"""The calibration as a table of numbers, a page to read, and a chart."""

from __future__ import annotations

from pathlib import Path

import altair as alt
import polars as pl
import vl_convert as vlc
from cells import Cell
from judge import EFFECTS
from rivals import RIVALS
from scipy.stats import beta

from dynostats.charts.theme import DASH, PALETTE, layered

METHODS = ("dynostats", *RIVALS)
NOMINAL = 0.05
# Where history is ample, fewer false claims than this mean that power is thrown away.
TOO_FEW = 0.025
AMPLE = 30
SCENARIO = ["pulls_a_side", "past_pulls", "design", "noise"]
COMMAND = "python tests/calibration/run.py --studies {studies} --out reports"


def write_tables(
    results: list[tuple[Cell, dict[tuple[str, str], int]]], studies: int, out: Path
) -> None:
    """Write calibration.csv, calibration.md and calibration.svg into a folder."""
    table = table_of(results, studies)
    table.write_csv(out / "calibration.csv", float_precision=5)
    (out / "calibration.md").write_text(page_of(table, studies), encoding="utf-8")
    (out / "calibration.svg").write_text(chart_of(table), encoding="utf-8")


def table_of(results: list[tuple[Cell, dict[tuple[str, str], int]]], studies: int) -> pl.DataFrame:
    """Return one row a scenario and method; rates are shares of all studies, coverage of judged."""
    rows = [
        row_of(cell, counts, method, studies)
        for cell, counts in results
        for method in METHODS
        if method == "dynostats" or (method, "judged") in counts
    ]
    return pl.DataFrame(rows, infer_schema_length=None)


def row_of(
    cell: Cell, counts: dict[tuple[str, str], int], method: str, studies: int
) -> dict[str, object]:
    """Return one row: rates with exact 95% intervals; None where a method has no such thing."""

    def count(event: str) -> int:
        return counts.get((method, event), 0)

    ours = method == "dynostats"
    judged = count("interval" if ours else "judged")
    false = exact_interval(count("false claim 0"), studies)
    row: dict[str, object] = {
        "pulls_a_side": cell.pulls,
        "past_pulls": cell.history,
        "design": cell.design,
        "noise": cell.shape,
        "method": method,
        "studies": studies,
        "without_interval": 1.0 - judged / studies,
        "false_claims": count("false claim 0") / studies,
        "false_low": false[0],
        "false_high": false[1],
    }
    covered = judged - count("not covered")
    known = ours and judged > 0
    bounds = exact_interval(covered, judged) if known else (None, None)
    row["coverage"] = covered / judged if known else None
    row["coverage_low"], row["coverage_high"] = bounds
    for name in EFFECTS:
        if name != "0":
            row[f"power_{name}"] = count(f"gain {name}") / studies
            row[f"false_claims_{name}"] = count(f"false claim {name}") / studies
            row[f"false_no_change_{name}"] = (
                count(f"false no change {name}") / studies if ours else None
            )
    return row


def exact_interval(count: int, total: int) -> tuple[float, float]:
    """Return the 95% interval of a share; Clopper & Pearson (1934), Biometrika 26:404."""
    low = float(beta.ppf(0.025, count, total - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, total - count)) if count < total else 1.0
    return low, high


PAGE = """\
# Calibration of `compare`

Made by `{command}`; all numbers are in calibration.csv.

{scenarios} scenarios, {studies:,} simulated studies each. A false claim is a gain or loss, of the band or
of any region, where there is none; the promise is at most 5%. Coverage is of the curve's band and both
band means together. Power is the share of studies with the verdict 'gain' when the effect is there. In
brackets: exact 95% intervals.

Of {answered} scenarios that get an answer: false claims {mean:.1%} on average, {worst:.1%} at most; coverage
{coverage:.1%} on average, {least:.1%} at least; a change of 0.5% called none, at a margin of 0.5%, {alike:.1%} at
most.

- More than 5% beyond Monte-Carlo error: {broken}.
- Coverage under 95% beyond Monte-Carlo error: {uncovered}.
- Ample history ({ample} past pulls or more) and yet surely under 2.5%: {timid}.
- No interval, hence 'undecided': {silent}.
- Random-field rival: {field}.

## Side by side

{side_by_side}

## Every scenario with an answer

{lines}
"""  # noqa: E501 - a paragraph of Markdown


def page_of(table: pl.DataFrame, studies: int) -> str:
    """Return the page in Markdown."""
    ours = table.filter(method="dynostats")
    answered = ours.filter(pl.col("without_interval") < 1.0)
    return PAGE.format(
        scenarios=ours.height,
        studies=studies,
        command=COMMAND.format(studies=studies),
        answered=answered.height,
        mean=answered["false_claims"].mean(),
        worst=answered["false_claims"].max(),
        coverage=answered["coverage"].mean(),
        least=answered["coverage"].min(),
        alike=answered["false_no_change_0.5"].max(),
        broken=listed(answered.filter(pl.col("false_low") > NOMINAL)),
        uncovered=listed(answered.filter(pl.col("coverage_high") < 1.0 - NOMINAL)),
        timid=listed(
            answered.filter(pl.col("past_pulls") >= AMPLE, pl.col("false_high") < TOO_FEW)
        ),
        ample=AMPLE,
        silent=listed(ours.filter(pl.col("without_interval") == 1.0), rates=False),
        field="spm1d" if "random field" in table["method"] else "spm1d was not installed",
        side_by_side=side_by_side(table),
        lines="\n".join(
            [*scenario_head(), *(scenario_line(row) for row in answered.iter_rows(named=True))]
        ),
    )


def listed(rows: pl.DataFrame, *, rates: bool = True) -> str:
    """Return scenarios as text, each with its rate of false claims."""
    names = [
        f"{row['pulls_a_side']} + {row['pulls_a_side']}, {row['past_pulls']} past, "
        f"{plain(row['design'])}, {plain(row['noise'])}"
        + (f" ({row['false_claims']:.1%} false, {row['coverage']:.1%} covered)" if rates else "")
        for row in rows.iter_rows(named=True)
    ]
    return "; ".join(names) if names else "none"


def plain(name: str) -> str:
    """Return a level in words."""
    return name.replace("_", " ")


def common_cells(table: pl.DataFrame) -> pl.DataFrame:
    """Keep the scenarios that all methods judge: two pulls a side or more, with an interval."""
    answered = table.filter(
        (pl.col("method") == "dynostats")
        & (pl.col("without_interval") < 1.0)
        & (pl.col("pulls_a_side") > 1)
    )
    return table.join(answered.select(SCENARIO), on=SCENARIO, how="semi")


def with_history(table: pl.DataFrame) -> pl.DataFrame:
    """Keep those of them with ample history and both setups in one session."""
    return common_cells(table).filter(
        (pl.col("past_pulls") >= AMPLE) & (pl.col("design") != "different_sessions")
    )


def side_by_side(table: pl.DataFrame) -> str:
    """Return the methods side by side, over all common scenarios and over those with history."""
    powers = [f"power_{name}" for name in EFFECTS if name != "0"]
    head = ["method", "false claims, mean", "worst", *(name.split("_")[1] for name in powers)]
    told: list[str] = []
    for title, rows in (
        ("Scenarios that all methods judge (two pulls a side or more)", common_cells(table)),
        (
            f"Of these, at least {AMPLE} past pulls and both setups in one session",
            with_history(table),
        ),
    ):
        told += [f"{title}; power by effect in percent:", "", line(head), line(["---"] * len(head))]
        for method in METHODS:
            own = rows.filter(method=method)
            if own.height:
                rates = own["false_claims"]
                cells = [f"{own[name].mean():.2f}" for name in powers]
                told.append(line([method, f"{rates.mean():.1%}", f"{rates.max():.1%}", *cells]))
        told.append("")
    return "\n".join(told).rstrip()


def line(cells: list[str]) -> str:
    """Return one row of a Markdown table."""
    return "| " + " | ".join(cells) + " |"


def scenario_head() -> list[str]:
    """Return the head of the table of scenarios."""
    head = ["pulls a side", "past pulls", "design", "noise", "false claims", "coverage"]
    head += [f"power {name}" for name in EFFECTS if name != "0"]
    head += ["0.5% called none", "no interval"]
    return [line(head), line(["---"] * len(head))]


def scenario_line(row: dict[str, object]) -> str:
    """Return one row of the table of scenarios."""
    cells = [str(row["pulls_a_side"]), str(row["past_pulls"])]
    cells += [plain(str(row["design"])), plain(str(row["noise"]))]
    cells += [f"{row['false_claims']:.1%} ({row['false_low']:.1%} to {row['false_high']:.1%})"]
    cells += [f"{row['coverage']:.1%}"]
    cells += [f"{row[f'power_{name}']:.2f}" for name in EFFECTS if name != "0"]
    cells += [f"{row['false_no_change_0.5']:.1%}", f"{row['without_interval']:.0%}"]
    return line(cells)


def chart_of(table: pl.DataFrame) -> str:
    """Return the chart as SVG: false claims of every scenario above, power curves below."""
    above, below = claims_layers(table), power_layers(with_history(table))
    look = layered(above).config
    look.background = PALETTE["paper"]  # a file of its own has no page behind it
    both = alt.vconcat(
        alt.LayerChart(layer=above, width=620, height=170),
        alt.LayerChart(layer=below, width=620, height=260),
        spacing=40,
        config=look,
    )
    return vlc.vegalite_to_svg(both.to_json())


def claims_layers(table: pl.DataFrame) -> list[alt.Chart]:
    """Return a dot a scenario and method over the rate that is promised."""
    known = table.filter(pl.col("without_interval") < 1.0)
    x = alt.X(
        "false_claims:Q",
        title="Studies without effect in which one is claimed; a dot a scenario, line: 5%",
        axis=alt.Axis(format="%"),
        scale=alt.Scale(domain=[0, 1]),
    )
    dots = alt.Chart(known).mark_circle(size=42, opacity=0.5, color=PALETTE["candidate"])
    nominal = pl.DataFrame({"false_claims": [NOMINAL]})
    rule = alt.Chart(nominal).mark_rule(color=PALETTE["loss"], strokeDash=DASH["baseline"])
    return [
        dots.encode(
            x=x, y=alt.Y("method:N", title=None, sort=list(METHODS), axis=alt.Axis(minExtent=110))
        ),
        rule.encode(x=x),
    ]


def power_layers(table: pl.DataFrame) -> list[alt.Chart]:
    """Return mean power over the size of a flat effect, a line a method, named at its end."""
    flat = [name for name in EFFECTS if name not in {"0", "shaped"}]
    mean = (
        table.group_by("method", maintain_order=True)
        .agg(pl.col("false_claims", *(f"power_{name}" for name in flat)).mean())
        .rename({f"power_{name}": name for name in flat})
        .unpivot(flat, index="method", variable_name="effect", value_name="power")
        .with_columns(pl.col("effect").cast(pl.Float64))
    )
    x = alt.X(
        "effect:Q",
        title="True effect [%]",
        axis=alt.Axis(values=[0, 0.5, 1, 1.5, 2, 3, 4], format="~g"),
        scale=alt.Scale(domain=[0, 4]),
    )
    y = alt.Y(
        "power:Q",
        title=f"Studies that find the gain; {AMPLE} past pulls or more, one session",
        axis=alt.Axis(format="%"),
        scale=alt.Scale(domain=[0, 1]),
    )
    hues = ["candidate", "baseline", "loss", "gain", "muted"]
    color = alt.Color(
        "method:N",
        legend=alt.Legend(title=None, orient="right"),
        scale=alt.Scale(domain=list(METHODS), range=[PALETTE[hue] for hue in hues]),
    )
    dash = alt.StrokeDash("method:N", legend=None, sort=list(METHODS))
    lines = alt.Chart(mean).mark_line(point=True, strokeWidth=2)
    return [lines.encode(x=x, y=y, color=color, strokeDash=dash)]
