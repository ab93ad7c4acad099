"""The exponents: learned where the pulls identify them, else helped by a stated prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from dynostats.analysis.attribution.causes import Cause, CauseName, Prior
from dynostats.analysis.attribution.evidence import Learned
from dynostats.arrays import Flags, Floats

# An exponent is identified when all of these hold. Variance inflation beyond ten is the usual
# alarm of collinearity (Belsley, Kuh & Welsch 1980, Regression Diagnostics, from memory); with
# fewer than four degrees of freedom a robust standard error says little (Pustejovsky & Tipton
# 2018, Bell & McCaffrey 2002); the other limits are ours.
MOST_INFLATION = 10.0
LEAST_DF = 4.0
MOST_LEVERAGE = 0.5
LEAST_RELIABILITY = 0.8
# Half-width of the interval over that of the prior: wider, and physics knows more than the pulls.
WIDEST = 1.0
# Degrees of freedom that stand for 'known by assumption'.
ASSUMED_DF = 1e6
# Half of the prior's variance is common to all engines, half is an engine's own.
COMMON_SHARE = 0.5
# An engine that knows an exponent less well than this many prior SDs adds nothing.
LEAST_INFORMATIVE = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """An exponent with all that was measured about it.

    Args:
        name: Name of its cause.
        estimate: Percent of torque per percent of the cause.
        low: Lower bound at 1 - alpha.
        high: Upper bound.
        assumed: True where the pulls do not identify it, and the prior has a part in it.
        why: Why it is not identified; "" when it is.
        data_estimate: What the pulls alone say; None where they say nothing.
        data_se: Its cluster-robust standard error; None likewise.
        df: Satterthwaite's degrees of freedom of that error; None likewise.
        prior_mean: Prior mean, other engines' pulls included.
        prior_sd: Prior standard deviation.
        prior_source: Where it comes from.
        spread_pct: How far the cause varied between pulls of one setup in one session, percent.
        inflation: Variance inflation by the other causes; None where they are wholly dependent.
        leverage: Largest share of the information that one contrast of pulls holds.
        reliability: Share of that variation which is not noise of the readings, at least.
        engines: Other engines whose pulls went into the prior.
    """

    name: CauseName
    estimate: float
    low: float
    high: float
    assumed: bool
    why: str
    data_estimate: float | None
    data_se: float | None
    df: float | None
    prior_mean: float
    prior_sd: float
    prior_source: str
    spread_pct: float
    inflation: float | None
    leverage: float
    reliability: float
    engines: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exponents:
    """The exponents of an engine, with their joint uncertainty.

    Args:
        causes: In the order of the arrays, with their final priors.
        estimate: Shape (causes,).
        covariance: Shape (causes, causes).
        df: Degrees of freedom of each variance, shape (causes,).
        bent: Change of each exponent per unit of the bend's coefficient, shape (causes,).
        coefficients: The same with all that was measured.
    """

    causes: tuple[Cause, ...]
    estimate: Floats
    covariance: Floats
    df: Floats
    bent: Floats
    coefficients: tuple[Coefficient, ...]

    @property
    def identified(self) -> bool:
        """Return whether the pulls alone identify every exponent."""
        return not any(one.assumed for one in self.coefficients)

    def fixed(self, at: int, value: float) -> Floats:
        """Return the exponents were one of them known, shape (causes,)."""
        shift = value - self.estimate[at]
        return self.estimate + self.covariance[:, at] / self.covariance[at, at] * shift


def settle_exponents(
    causes: tuple[Cause, ...],
    learned: Learned,
    others: Sequence[Learned],
    *,
    alpha: float,
) -> Exponents:
    """Settle the exponents of an engine.

    Args:
        causes: What torque is put down to.
        learned: What the engine's own pulls say.
        others: What those of other engines say, the same causes in the same order.
        alpha: One less the level of the coefficients' intervals.

    Returns:
        Identified exponents as the engine's own pulls have them; the others drawn toward a prior
        from physics that other engines' pulls have sharpened.
    """
    told = tuple(_tell_others(cause, others, at) for at, cause in enumerate(causes))
    causes = tuple(cause for cause, _ in told)
    whys = [_why_not(learned, cause, at) for at, cause in enumerate(causes)]
    assumed = np.array([bool(why) for why in whys], dtype=np.bool_)
    estimate, covariance, bent = _posterior(learned, causes, assumed)
    df = np.where(assumed, ASSUMED_DF, _data_df(learned))
    half = stdtrit(df, 1.0 - alpha / 2.0) * np.sqrt(np.diag(covariance))
    measured = tuple(
        _coefficient(cause, learned, at, why=whys[at], engines=told[at][1])
        for at, cause in enumerate(causes)
    )
    return Exponents(
        causes=causes,
        estimate=estimate,
        covariance=covariance,
        df=df,
        bent=bent,
        coefficients=tuple(
            replace(
                one,
                estimate=float(estimate[at]),
                low=float(estimate[at] - half[at]),
                high=float(estimate[at] + half[at]),
            )
            for at, one in enumerate(measured)
        ),
    )


def _tell_others(cause: Cause, others: Sequence[Learned], at: int) -> tuple[Cause, int]:
    """Return a cause whose prior knows other engines, and how many of them told something.

    Exponents of engines scatter about a common one: half of the prior's variance is how far that
    may lie from physics, half how far engines differ. Source: normal hierarchical model, Gelman et
    al. (2013), Bayesian Data Analysis, sec. 5.4.
    """
    own_variance = (1.0 - COMMON_SHARE) * cause.prior.sd**2
    precision = 1.0 / (COMMON_SHARE * cause.prior.sd**2)
    weighted = cause.prior.mean * precision
    engines = 0
    for other in others:
        place = other.place(at)
        if other.fit is None or place is None:
            continue
        variance = float(_inflated(other.fit.df[place]) * other.fit.covariance[place, place])
        if not variance < (LEAST_INFORMATIVE * cause.prior.sd) ** 2:
            continue
        weight = 1.0 / (variance + own_variance)
        precision += weight
        weighted += weight * float(other.fit.coefficients[place])
        engines += 1
    if not engines:
        return cause, 0
    source = f"{cause.prior.source}; and the pulls of {engines} other engine"
    prior = Prior(
        mean=weighted / precision,
        sd=float(np.sqrt(1.0 / precision + own_variance)),
        source=source + ("s" if engines > 1 else ""),
    )
    return replace(cause, prior=prior), engines


def _inflated(df: float) -> float:
    """Return the factor on a variance that makes a normal as wide as Student's t at 95%."""
    return float(stdtrit(max(df, 1.0), 0.975) / 1.96) ** 2


def _data_df(learned: Learned) -> Floats:
    """Return the degrees of freedom of every cause, shape (causes,); 1 where nothing is known."""
    df = np.ones(len(learned.varied))
    if learned.fit is not None:
        df[learned.varied] = np.maximum(learned.fit.df, 1.0)
    return df


def _why_not(learned: Learned, cause: Cause, cause_at: int) -> str:
    """Return why the pulls alone do not identify an exponent; "" when they do."""
    at, fit = learned.place(cause_at), learned.fit
    if at is None:
        return "it never differed between pulls of one setup in one session"
    if fit is None:
        together = len(learned.products) > 1 and not np.isfinite(learned.inflation[at])
        return (
            "it varied in step with another cause, or hardly any pulls tell of it"
            if together
            else "too few pulls of one setup were made in one session"
        )
    inflation, df = float(learned.inflation[at]), float(fit.df[at])
    share, noise = float(learned.leverage[at]), 1.0 - float(learned.reliability[at])
    half = float(stdtrit(max(df, 1.0), 0.975) * fit.standard_errors[at])
    widest = WIDEST * 1.96 * cause.prior.sd
    faults = (
        (
            inflation > MOST_INFLATION,
            f"it varied together with the other causes (variance inflation {inflation:.0f})",
        ),
        (
            df < LEAST_DF,
            f"too few pulls tell of it ({df:.1f} degrees of freedom, of at least {LEAST_DF:.0f})",
        ),
        (
            share > MOST_LEVERAGE,
            f"one difference between pulls holds {share:.0%} of what is known of it",
        ),
        (
            noise > 1.0 - LEAST_RELIABILITY,
            f"up to {noise:.0%} of what it varied between pulls may be noise of its readings",
        ),
        (
            half > widest,
            f"the pulls alone know it to ±{half:.2f}, less well than physics does (±{widest:.2f})",
        ),
    )
    return next((why for found, why in faults if found), "")


def _posterior(
    learned: Learned, causes: tuple[Cause, ...], assumed: Flags
) -> tuple[Floats, Floats, Floats]:
    """Return estimate, covariance, and change by the bend.

    With nothing assumed, the fit and its robust covariance. Else the fit is drawn toward the
    priors of what is assumed. What the pulls say of those counts for less the fewer there are; the
    covariance stays robust (a sandwich).
    """
    means = np.array([cause.prior.mean for cause in causes])
    prior = np.diag([c.prior.sd**-2 if a else 0.0 for a, c in zip(assumed, causes, strict=True)])
    told, said, meat, bent = _information(learned, assumed)
    bread = np.linalg.inv(told + prior)
    estimate = bread @ (said + prior @ means)
    covariance = bread @ (meat + prior) @ bread
    return estimate, covariance, -bread @ bent


def _information(learned: Learned, assumed: Flags) -> tuple[Floats, Floats, Floats, Floats]:
    """Return what the pulls say of all causes; zero for causes that never varied.

    Precision, its product with the estimate, the covariance of that product, its change by the
    bend.
    """
    fit, places = learned.fit, np.flatnonzero(learned.varied)
    size = len(learned.varied)
    if fit is None:
        scale = _inflated(1.0)
        told = meat = learned.products / scale
        said, bent = learned.moments / scale, learned.bent / scale
    else:
        model = np.linalg.inv(learned.products)
        rougher = max(1.0, float(np.mean(np.diag(fit.covariance) / np.diag(model))))
        factor = np.array([_inflated(df) for df in fit.df])
        wider = np.sqrt(np.where(assumed[places], factor, 1.0))
        wide = np.outer(wider, wider)
        told = learned.products / wide / rougher
        said = told @ fit.coefficients
        meat = told @ (fit.covariance * wide) @ told
        bent = told @ model @ learned.bent
    whole = np.zeros((2, size, size))
    whole[:, places[:, None], places] = told, meat
    vectors = np.zeros((2, size))
    vectors[:, places] = said, bent
    return whole[0], vectors[0], whole[1], vectors[1]


def _coefficient(
    cause: Cause, learned: Learned, cause_at: int, *, why: str, engines: int
) -> Coefficient:
    at = learned.place(cause_at)
    fit = learned.fit if at is not None else None
    inflation = float(learned.inflation[at]) if at is not None else np.inf
    return Coefficient(
        name=cause.name,
        estimate=cause.prior.mean,
        low=cause.prior.bounds()[0],
        high=cause.prior.bounds()[1],
        assumed=bool(why),
        why=why,
        data_estimate=None if fit is None else float(fit.coefficients[at]),
        data_se=None if fit is None else float(fit.standard_errors[at]),
        df=None if fit is None else float(fit.df[at]),
        prior_mean=cause.prior.mean,
        prior_sd=cause.prior.sd,
        prior_source=cause.prior.source,
        spread_pct=0.0 if at is None else 100.0 * float(learned.spread[at]),
        inflation=inflation if np.isfinite(inflation) else None,
        leverage=1.0 if at is None else float(learned.leverage[at]),
        reliability=0.0 if at is None else float(learned.reliability[at]),
        engines=engines,
    )
