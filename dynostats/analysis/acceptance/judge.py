"""All checks of stored pulls against their history, put together."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

import numpy as np
import polars as pl

from dynostats.analysis.acceptance.band import check_band
from dynostats.analysis.acceptance.coverage import find_cut_short
from dynostats.analysis.acceptance.engine import check_engine
from dynostats.analysis.acceptance.finding import Acceptance, PullFinding
from dynostats.analysis.acceptance.labels import SCHEMA, judge_labels
from dynostats.analysis.acceptance.limits import Limit
from dynostats.analysis.acceptance.mount import Mount, read_mounts
from dynostats.analysis.acceptance.session import check_channels, check_start, check_sweep_rate
from dynostats.analysis.acceptance.signature import read_signatures
from dynostats.analysis.curve_set import curve_set
from dynostats.curves.acceptance import DANGERS
from dynostats.errors import AnalysisError

# Channels whose curves are looked at.
CHANNELS = (
    *("torque", "manifold_pressure", "compressor_out_pressure", "charge_temperature"),
    *("cooler_medium_temperature", "lambda", "ignition_advance", "fuel_pressure", "oil_pressure"),
    *("oil_temperature", "coolant_temperature", "ambient_pressure", "ambient_temperature"),
    *(f"lambda_{number}" for number in range(1, 17)),
    *(f"exhaust_temperature_{number}" for number in range(1, 17)),
)
_RANK = {"void": 0, "doubtful": 1, "note": 2}
_LIMITS = {
    "engine": pl.String,
    "dyno": pl.String,
    "check": pl.String,
    "limit": pl.Float64,
    "source": pl.String,
}


def judge_pulls(
    pulls: pl.DataFrame,
    curves: pl.DataFrame,
    *,
    torque: pl.DataFrame,
    sweep_rates: pl.DataFrame,
    found: pl.DataFrame,
    chosen: Collection[str] | None = None,
) -> Acceptance:
    """Judge stored pulls.

    Args:
        pulls: One row a stored pull, excluded ones too: pull, engine, dyno, session, setup, order,
            state, why, rpm_low, rpm_high, ambient_pressure_kpa, ambient_temperature_c.
        curves: One row a pull and grid speed, of every pull of the engines in question: pull, rpm,
            and any of `CHANNELS`. The others are what each pull is measured by.
        torque: One row a pull and grid speed, of every accepted pull of the warehouse: pull, rpm,
            torque. How far pulls lie apart is learned from them.
        sweep_rates: One row a pull: pull, sweep_rate (rpm/s).
        found: What was noticed when the pulls were read: pull, check, severity, message.
        chosen: Pulls whose findings are wanted; None for all.

    Returns:
        The findings on the chosen pulls. An excluded pull is judged too, but measures no other.
    """
    wanted = set(pulls["pull"]) if chosen is None else set(chosen)
    findings = [_as_stored(row) for row in found.iter_rows(named=True)]
    findings += find_cut_short(pulls)
    limits: list[tuple[str, str, str, float, str]] = []
    labels = [pl.DataFrame(schema=SCHEMA)]
    cannot_tell: list[str] = []
    rates = dict(sweep_rates.select("pull", "sweep_rate").iter_rows())
    for mount in read_mounts(pulls, curves):
        for check, limit, own in _check_mount(mount, rates):
            findings += own
            limits.append((mount.engine, mount.dyno, check, limit.value, limit.source))
        findings += check_channels(mount)
        judged = judge_labels(mount.pulls, read_signatures(mount), mount.accepted)
        findings += judged.findings
        labels.append(judged.table)
        if judged.cannot_tell:
            cannot_tell.append(f"{mount.place()}, {judged.cannot_tell}")
    findings += _check_bands(pulls, torque)
    return Acceptance(
        pulls=tuple(name for name in pulls["pull"] if name in wanted),
        findings=_in_order(findings, pulls, wanted),
        labels=pl.concat(labels).filter(pl.col("pull").is_in(wanted)),
        limits=pl.DataFrame(limits, schema=_LIMITS, orient="row"),
        cannot_tell=tuple(cannot_tell),
    )


def _as_stored(row: dict[str, str]) -> PullFinding:
    return PullFinding(
        pull=row["pull"],
        check=row["check"],
        severity=row["severity"],  # pyright: ignore[reportArgumentType] - the table allows no other
        message=row["message"],
        danger=row["check"] in DANGERS,
    )


def _check_mount(
    mount: Mount, rates: dict[str, float]
) -> Iterator[tuple[str, Limit, list[PullFinding]]]:
    own = np.array([rates.get(name) or np.nan for name in mount.names()])
    limit, found = check_sweep_rate(mount, own)
    yield "sweep rate", limit, found
    yield from check_start(mount)
    yield from check_engine(mount)


def _check_bands(pulls: pl.DataFrame, torque: pl.DataFrame) -> Iterator[PullFinding]:
    """Yield pulls outside their band; how far pulls lie apart is learned dyno by dyno."""
    accepted = pulls.filter(state="accepted").with_columns(pl.col("dyno").fill_null(""))
    for _, own in accepted.group_by("dyno", maintain_order=True):
        try:
            yield from check_band(curve_set(own, torque))
        except AnalysisError:  # no torque on this dyno: nothing to lie outside of
            continue


def _in_order(
    findings: Iterable[PullFinding], pulls: pl.DataFrame, wanted: set[str]
) -> tuple[PullFinding, ...]:
    place = {name: number for number, name in enumerate(pulls["pull"])}
    kept = [finding for finding in findings if finding.pull in wanted]
    return tuple(sorted(kept, key=lambda one: (place[one.pull], _RANK[one.severity])))
