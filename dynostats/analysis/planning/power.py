"""Power of a t test, and the smallest effect that a design sees.

Source: Johnson, Kotz & Balakrishnan (1995), Continuous Univariate Distributions vol. 2, ch. 31:
under an effect the t statistic follows the noncentral t with the effect over its standard error
as noncentrality. Degrees of freedom need not be whole numbers.
"""

from __future__ import annotations

from scipy.stats import nct
from scipy.stats import t as student_t

# Relative width at which the search for a detectable effect ends.
PRECISION = 1e-10


def t_power(ratio: float, *, df: float, alpha: float) -> float:
    """Return the chance that a two-sided t test finds an effect, on the effect's own side.

    Args:
        ratio: True effect over the true standard error of its estimate, 0 or more.
        df: Degrees of freedom of the standard error, above 0.
        alpha: Two-sided level.
    """
    critical = float(student_t.isf(alpha / 2.0, df))
    return float(nct.sf(critical, df, ratio))


def detectable_ratio(*, df: float, alpha: float, power: float) -> float:
    """Return the true effect over its standard error that is found with a chance of `power`.

    Args:
        df: Degrees of freedom of the standard error, above 0.
        alpha: Two-sided level, below twice `power`.
        power: Chance of finding it, between alpha / 2 and 1.
    """
    # The statistic is about as spread as a t variable; twice that beyond the critical value is
    # ample but for 1 or 2 df, so the bracket grows until it holds the root.
    low, high = 0.0, 2.0 * float(student_t.isf(alpha / 2.0, df))
    while t_power(high, df=df, alpha=alpha) < power:
        high *= 2.0
    while high - low > PRECISION * high:
        middle = (low + high) / 2.0
        found = t_power(middle, df=df, alpha=alpha)
        low, high = (middle, high) if found < power else (low, middle)
    return high
