"""Past studies made by hand, for the tests of their synthesis."""

from __future__ import annotations

from dynostats.analysis.synthesis import PastStudy, StudyEffect, Then


def make_study(
    engine: str = "mule",
    effect: float = 0.02,
    *,
    error: float | None = 0.004,
    kind: str | None = "cooler",
    candidate: str = "deep",
    p_value: float | None = 0.001,
    verdict: str = "gain",
    weights: dict[str, float] | None = None,
    claimed: str | None = None,
    moderators: dict[str, float] | None = None,
    doubts: tuple[str, ...] = (),
    then: Then | None = None,
) -> StudyEffect:
    """Return one past study with a log effect and its standard error."""
    return StudyEffect(
        study=PastStudy(
            engine=engine, baseline="stock", candidate=candidate, kind=kind, claimed=claimed
        ),
        effect=effect,
        error=error,
        reach=None if error is None else 1.96,
        p_value=None if error is None else p_value,
        verdict=verdict,
        lacking="" if error is not None else "too few pulls repeat",
        band=(2500.0, 6500.0),
        baseline_pulls=2,
        candidate_pulls=2,
        design="same_session",
        weights=weights or {f"{engine}-{candidate}": 1.0, f"{engine}-stock": -1.0},
        moderators=moderators or {},
        doubts=doubts,
        then=then,
    )
