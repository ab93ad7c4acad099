"""All checks of stored pulls against their history, put together."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

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
from dynostats.analysis.copies import find_copies, without
from dynostats.analysis.curve_set import curve_set
from dynostats.curves.acceptance import DANGERS
from dynostats.errors import AnalysisError

# Channels whose curves are looked at.
CHANNELS = (
    *("time", "torque", "manifold_pressure", "compressor_out_pressure", "charge_temperature"),
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
    scope: pl.DataFrame,
    torque: pl.DataFrame,
    found: pl.DataFrame,
    chosen: Collection[str] | None = None,
) -> Acceptance:
    """Judge stored pulls.

    Args:
        pulls: One row a stored pull of some engines, excluded ones too: pull, engine, dyno,
            session, setup, order, state, rpm_low, rpm_high, ambient_pressure_kpa,
            ambient_temperature_c. Each is measured by the others.
        curves: One row a pull and grid speed of those pulls: pull, rpm, and any of `CHANNELS`.
        scope: One row a stored pull of the warehouse, likewise: how far pulls of a dyno lie apart
            is learned from all of them.
        torque: One row a pull and grid speed of every accepted pull: pull, rpm, torque.
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
    for mount in read_mounts(pulls, curves):
        for check, limit, own in _check_mount(mount):
            findings += own
            limits.append((mount.engine, mount.dyno, check, limit.value, limit.source))
        findings += check_channels(mount)
        judged = judge_labels(mount.pulls, read_signatures(mount), mount.accepted)
        findings += judged.findings
        labels.append(judged.table)
        if judged.cannot_tell:
            cannot_tell.append(f"{mount.place()}, {judged.cannot_tell}")
    findings += _check_torque(scope, torque, dynos=set(pulls["dyno"].fill_null("")))
    return Acceptance(
        pulls=tuple(name for name in pulls["pull"] if name in wanted),
        findings=_in_order(findings, pulls["pull"], wanted),
        labels=pl.concat(labels).filter(pl.col("pull").is_in(wanted)),
        limits=pl.DataFrame(limits, schema=_LIMITS, orient="row"),
        cannot_tell=tuple(cannot_tell),
    )


def merge(parts: Sequence[Acceptance], order: Iterable[str]) -> Acceptance:
    """Return the judgements of several groups of pulls as one, pulls in the given order."""
    wanted = {name for part in parts for name in part.pulls}
    pulls = tuple(name for name in order if name in wanted)
    return Acceptance(
        pulls=pulls,
        findings=_in_order([one for part in parts for one in part.findings], pulls, wanted),
        labels=pl.concat([pl.DataFrame(schema=SCHEMA), *(part.labels for part in parts)]),
        limits=pl.concat([pl.DataFrame(schema=_LIMITS), *(part.limits for part in parts)]),
        cannot_tell=tuple(text for part in parts for text in part.cannot_tell),
    )


def _as_stored(row: dict[str, str]) -> PullFinding:
    return PullFinding(
        pull=row["pull"],
        check=row["check"],
        severity=row["severity"],  # pyright: ignore[reportArgumentType] - the table allows no other
        message=row["message"],
        danger=row["check"] in DANGERS,
    )


def _check_mount(mount: Mount) -> Iterator[tuple[str, Limit, list[PullFinding]]]:
    limit, found = check_sweep_rate(mount)
    yield "sweep rate", limit, found
    yield from check_start(mount)
    yield from check_engine(mount)


def _check_torque(
    scope: pl.DataFrame, torque: pl.DataFrame, *, dynos: set[str]
) -> Iterator[PullFinding]:
    """Yield copies and pulls outside their band; how far pulls lie apart is learned by dyno."""
    accepted = scope.filter(state="accepted").with_columns(pl.col("dyno").fill_null(""))
    for (dyno,), own in accepted.group_by("dyno", maintain_order=True):
        if dyno not in dynos:
            continue
        try:
            curves = curve_set(own, torque)
        except AnalysisError:  # no torque on this dyno: nothing to lie outside of
            continue
        copies = find_copies(curves)
        yield from (_tell_copy(copy, first) for copy, first in copies.items())
        yield from check_band(without(curves, copies))


def _tell_copy(copy: str, first: str) -> PullFinding:
    return PullFinding(
        pull=copy,
        check="copy",
        severity="doubtful",
        message=f"The torque is that of {first} at every speed, nearer than pulls repeat: one pull "
        "filed twice is no repeat, and a comparison uses the first alone. Look at the files.",
    )


def _in_order(
    findings: Iterable[PullFinding], order: Iterable[str], wanted: set[str]
) -> tuple[PullFinding, ...]:
    place = {name: number for number, name in enumerate(order)}
    kept = [finding for finding in findings if finding.pull in wanted]
    return tuple(sorted(kept, key=lambda one: (place[one.pull], _RANK[one.severity])))
