"""The split in words: what the reader must know, and what would sharpen it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dynostats.analysis.attribution.channels import Missing
from dynostats.analysis.attribution.exponents import Coefficient, Exponents
from dynostats.analysis.effect import Effect

NAMES = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
# An exponent of the pulls this many standard errors off physics deserves a word.
FAR_OFF = 3.0

REFERENCES = (
    (
        "Bell & McCaffrey (2002), Survey Methodology 28:169, and Pustejovsky & Tipton (2018), J. "
        "Business & Economic Statistics 36:672: cluster-robust errors and degrees of freedom for "
        "few clusters"
    ),
    "Shapley (1953), A value for n-person games: parts averaged over all orders",
    (
        "Blinder (1973), J. Human Resources 8:436, and Oaxaca (1973), Int. Economic Review 14:693: "
        "a difference of means split by a regression, the setups' indicator in it"
    ),
    "ISO 1585, SAE J1349: exponents of pressure and temperature for spark-ignition engines",
    "Heywood (1988), Internal Combustion Engine Fundamentals, sec. 6.2, 7.1, 13.2 (from memory)",
)

FORMULAS = {
    "model": "ln T(i, n) = setup(n) + session(n) + drift(n) * order(i) + a * ln p(i, n) + b * ln "
    "T_charge(i, n) + mixture(i, n) + pull(i, n), p absolute, T_charge in kelvin",
    "mixture": "c * v + d * v^2, v = ln(lambda / mean lambda); d = 0 for a lean engine",
    "part": "exponent * (weighted mean of the candidate's pulls - of the baseline's), the same "
    "weights as in compare",
    "unexplained": "total - sum of the parts, at every speed and in the mean",
    "variance": "change^2 * Var exponent + exponent^2 * Var change + Var exponent * Var change + "
    "stated allowances; Student's t with Satterthwaite's degrees of freedom",
    "assumed": "exponent = (data / Var data + prior mean / prior Var) / (1 / Var data + 1 / prior "
    "Var), for those exponents that the pulls do not identify",
}


def say_warnings(
    effect: Effect,
    exponents: Exponents | None,
    missing: Sequence[Missing],
    left_out: Sequence[str],
) -> tuple[str, ...]:
    """Return what the reader must know before relying on the split.

    Args:
        effect: The total.
        exponents: The exponents; None where no cause can be told apart.
        missing: Causes that cannot be told apart.
        left_out: Pulls of the study left out for want of a channel.
    """
    found = [
        f"{NAMES[one.name].capitalize()} cannot be told apart: {one.why}. What it did is in the "
        f"unexplained part. {one.mend}"
        for one in missing
    ]
    if left_out:
        found.append(
            f"{', '.join(left_out)}: left out of the split, for want of a channel that the others "
            "have."
        )
    if exponents is not None:
        found += [_warn_assumed(one) for one in exponents.coefficients if one.assumed]
        found += [text for one in exponents.coefficients if (text := _warn_far_off(one))]
    if effect.contrast.kind == "different_sessions":
        found.append(
            "The setups never shared a session: the parts hold what the weather of those days did "
            "to pressure and temperature, too, and the unexplained part all else that changed "
            "between days."
        )
    if effect.lacking:
        found.append(f"Intervals are not known: {effect.lacking}.")
    return tuple(found)


def _warn_assumed(one: Coefficient) -> str:
    words = NAMES[one.name]
    others = f" (with {one.engines} other engines' pulls)" if one.engines else ""
    return (
        f"The exponent of {words} is assumed, {one.estimate:+.2f} ({one.low:+.2f} to "
        f"{one.high:+.2f}): {one.why}. Physics{others} says {one.prior_mean:+.2f} ± "
        f"{1.96 * one.prior_sd:.2f}."
    )


def _warn_far_off(one: Coefficient) -> str:
    if one.data_estimate is None or one.data_se is None or one.df is None or one.df < 4.0:
        return ""
    away = one.data_estimate - one.prior_mean
    if abs(away) <= FAR_OFF * float(np.hypot(one.data_se, one.prior_sd)):
        return ""
    return (
        f"The pulls give {NAMES[one.name]} an exponent of {one.data_estimate:+.2f}, far from what "
        f"physics expects ({one.prior_mean:+.2f} ± {1.96 * one.prior_sd:.2f}): something else "
        "varied with it, or its sensor is wrong."
    )


def say_next(exponents: Exponents | None, missing: Sequence[Missing], *, identified: bool) -> str:
    """Return what would sharpen the split."""
    if missing:
        return missing[0].mend
    if exponents is None or identified:
        return (
            "The exponents rest on the engine's own pulls; more pulls a side narrow the "
            "unexplained part."
        )
    assumed = [NAMES[one.name] for one in exponents.coefficients if one.assumed]
    *first, last = assumed
    names = f"{', '.join(first)} and {last}" if first else last
    how = "each of them on purpose, one at a time," if first else "it on purpose"
    return (
        f"To learn how torque follows {names} from your own pulls, vary {how} within one session "
        "and one setup, a little up and down and back, within what the engine maker allows."
    )


def describe_method(alpha: float, causes: Sequence[tuple[str, str]]) -> dict[str, object]:
    """Return settings and formulas, as the report and the JSON show them."""
    return {
        "model": "log torque follows log absolute manifold pressure, log absolute charge "
        "temperature and the mixture; setups, sessions and a straight drift in each session are "
        "taken out; the clusters are pulls",
        "accounting": "parts add up on the log scale, in whatever order the causes are thought to "
        "change (so also averaged over all orders, Shapley); they are an accounting, no proof of "
        "cause",
        "intervals": f"each holds for itself at {1.0 - alpha:.0%}",
        "priors": dict(causes),
        "formulas": FORMULAS,
        "references": list(REFERENCES),
    }
