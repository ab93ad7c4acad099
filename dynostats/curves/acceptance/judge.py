"""All checks of one pull, and whether they make it void."""

from __future__ import annotations

from collections.abc import Iterable

from dynostats.curves.acceptance.cylinders import check_cylinders
from dynostats.curves.acceptance.danger import split_warning
from dynostats.curves.acceptance.evidence import Evidence
from dynostats.curves.acceptance.load import check_load
from dynostats.curves.acceptance.pressures import check_pressures
from dynostats.curves.acceptance.sensors import check_sensors
from dynostats.curves.acceptance.smoothing import check_smoothing
from dynostats.ingest import Finding


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
        split_warning(finding.message)[1] for finding in findings if finding.severity == "void"
    ]
    return f"void: {' '.join(reasons).rstrip('.')}" if reasons else None
