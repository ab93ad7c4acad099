"""All checks of one pull, and whether they make it void."""

from __future__ import annotations

from collections.abc import Iterable

from dynostats.curves.acceptance.cylinders import check_cylinders
from dynostats.curves.acceptance.evidence import Evidence
from dynostats.curves.acceptance.load import check_load
from dynostats.curves.acceptance.pressures import FUEL_DANGER, check_pressures
from dynostats.curves.acceptance.sensors import check_sensors
from dynostats.curves.acceptance.smoothing import check_smoothing
from dynostats.ingest import Finding

# Checks that tell of a danger to the engine or to people, whatever they mean for the data.
DANGERS = frozenset(
    {
        *("fuel_pressure_lost", "fuel_pressure_falls", "fuel_pressure_unusual"),
        *("oil_pressure_falls", "oil_pressure_low", "oil_pressure_unusual"),
        *("lean_cylinder", "hot_cylinder", "cylinder_unusual"),
    }
)


def judge_pull(pull: Evidence) -> tuple[Finding, ...]:
    """Return what one pull's own samples and curve say of it; nothing for an ordinary pull."""
    return (
        *check_load(pull),
        *check_pressures(pull),
        *check_sensors(pull),
        *check_cylinders(pull.curve),
        *check_smoothing(pull),
    )


def why_void(findings: Iterable[Finding]) -> str | None:
    """Return why a pull is void, in words; None when it is not.

    The warning of a danger stays with the finding: it is more than a reason to leave a pull out.
    """
    reasons = [
        finding.message.removeprefix(FUEL_DANGER).strip()
        for finding in findings
        if finding.severity == "void"
    ]
    return f"void: {' '.join(reasons).rstrip('.')}" if reasons else None
