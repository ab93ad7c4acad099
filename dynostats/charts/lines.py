"""Every pull as a line: one frame with a column a pull, unfolded by the chart itself.

A column a pull instead of a row a pull and speed keeps a page with many pulls small: speeds and
names are stored once.
"""

from __future__ import annotations

from typing import Literal

import altair as alt
import polars as pl

from dynostats.analysis.comparison import Comparison

Suffix = Literal["kw", "nm", "pct"]

_COLUMNS = {"kw": "power_kw", "nm": "torque_nm", "pct": "difference_pct"}


def pull_lines(result: Comparison, suffix: Suffix) -> alt.Chart:
    """Return a chart without marks whose rows are rpm, value, pull and role, a line a pull.

    Args:
        result: The comparison.
        suffix: What the values are: power in kW, torque in N.m, or the difference from the
            baseline's mean curve in percent.
    """
    names = pull_names(result, suffix)
    keys = names["key"].to_list()
    return (
        alt.Chart(pull_values(result, suffix))
        .transform_fold(keys, as_=["key", "value"])
        .transform_lookup(
            lookup="key", from_=alt.LookupData(data=names, key="key", fields=["pull", "role"])
        )
        # A page that hides a pull takes its name away; its line goes with it.
        .transform_filter("isValid(datum.role)")
        .encode(detail="key:N")
    )


def pull_names(result: Comparison, suffix: Suffix) -> pl.DataFrame:
    """Return one row a drawn pull: key (its column), pull, role, in run order.

    Keys are numbered, not named after the pull: a pull's name is a stranger's text and has no
    place in a chart's expressions.
    """
    drawn = result.pull_curves.select("pull", "role").unique(maintain_order=True)
    number = pl.int_range(1, pl.len() + 1)
    return drawn.select(pl.format(f"p{{}}_{suffix}", number).alias("key"), "pull", "role")


def pull_values(result: Comparison, suffix: Suffix) -> pl.DataFrame:
    """Return one row a grid speed: rpm and a column a pull."""
    mean = result.curve.select("rpm", "baseline_nm")
    difference = 100 * (pl.col("torque_nm") / pl.col("baseline_nm") - 1)
    return (
        result.pull_curves.join(mean, on="rpm", how="inner", maintain_order="left")
        .with_columns(difference_pct=difference)
        .join(pull_names(result, suffix).select("key", "pull"), on="pull", maintain_order="left")
        .pivot(on="key", index="rpm", values=_COLUMNS[suffix])
        .sort("rpm")
    )
