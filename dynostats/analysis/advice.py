"""The finding in words: why, what the reader must know, and what would decide or sharpen it."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
from scipy.stats import t as student_t

from dynostats.analysis.comparison import Influence, NoiseUsed, Overall, PullCounts, Region, Verdict
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import Effect
from dynostats.analysis.noise import pooled_variance
from dynostats.analysis.study import Study

# The search for the pulls needed ends here.
MOST_PULLS_TRIED = 1000
# Beyond this many pulls a side, another way of testing is better advice than more pulls.
MOST_PULLS_ADVISED = 12
# A linear drift that could imitate more than this share of the setup difference is worth a word.
CONFOUNDED = 0.5

# Why a comparison across a change of the cell gets no interval.
PARTED = (
    "the cell changed between all pulls of the one setup and all of the other (a calibration that "
    "was logged, or a change found in the setup it is watched by): what changed in the cell is "
    "part of this difference"
)


def say_why(
    verdict: Verdict,
    overall: Overall,
    regions: tuple[Region, ...],
    effect: Effect,
    margin_pct: float,
) -> str:
    """Return the reason for the verdict in one or two sentences."""
    mean = (
        f"Over {effect.rpm[0]:,.0f} to {effect.rpm[-1]:,.0f} rpm the mean effect is "
        f"{overall.effect_pct:+z.2f}%"
    )
    if overall.low_pct is None or overall.high_pct is None:
        return f"{mean}, but {effect.lacking}."
    mean += f" ({overall.low_pct:+z.2f} to {overall.high_pct:+z.2f}%)"
    if verdict == "no_meaningful_change":
        return f"{mean}, and at every speed the effect lies within ±{margin_pct:g}%."
    where = {
        kind: _ranges([region for region in regions if region.verdict == kind])
        for kind in ("gain", "loss")
    }
    if verdict == "mixed":
        gain, loss = where["gain"] or "the band mean", where["loss"] or "the band mean"
        return f"{mean}. The gain is beyond noise at {gain}; the loss is beyond noise at {loss}."
    if verdict in {"gain", "loss"}:
        if not where[verdict]:
            return (
                f"{mean}: beyond noise for the band as a whole, though at no single stretch of "
                "engine speed."
            )
        return f"{mean}. The {verdict} is beyond noise at {where[verdict]}."
    return f"{mean}: the difference does not stand out from the noise, nor is it shown to be small."


def _ranges(regions: list[Region]) -> str:
    return " and ".join(f"{r.from_rpm:,.0f} to {r.to_rpm:,.0f} rpm" for r in regions)


def name_noise(everything: CurveSet, own: CurveSet, study: Study) -> str:
    """Say whose pulls the noise was learned from."""
    others = len(everything) - len(own)
    place = f" on dyno '{study.dyno}'" if study.dyno else ""
    if others == 0:
        return f"the {len(own)} pulls of this study alone; the warehouse holds no other{place}"
    engines = len(set(everything.engine))
    sessions = len(set(zip(everything.engine, everything.session, strict=True)))
    return (
        f"{len(everything)} accepted pulls{place}: {len(own)} of this study and {others} others, "
        f"{_count(engines, 'engine')}, {_count(sessions, 'session')}"
        + (f", the nearest in time; {study.further} more lie further away" if study.further else "")
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def say_warnings(
    effect: Effect, own: CurveSet, study: Study, noise: NoiseUsed, *, correction: str
) -> tuple[str, ...]:
    """Return what the reader must know before relying on the answer."""
    found = [
        _warn_sessions(effect, noise, correction),
        _warn_drift(effect),
        _warn_order(own),
        _warn_single(effect, own, noise),
        _warn_excluded(study),
        _warn_unused(study),
        _warn_outlying(effect),
        _warn_narrowed(effect),
    ]
    return tuple(text for text in found if text)


def _warn_sessions(effect: Effect, noise: NoiseUsed, correction: str) -> str:
    if effect.contrast.kind == "linked_sessions":
        return (
            "The two setups never shared a session; they are compared through a third setup that "
            "was pulled beside each of them."
        )
    if effect.contrast.kind != "different_sessions":
        return ""
    text = "The two setups never shared a session, so all that changes between days is in the "
    text += "difference"
    if noise.session_sd_pct is not None:
        text += f" (one day differs from another by {noise.session_sd_pct:.2f}% SD here)"
    text += "; more pulls on the same days do not remove it."
    if correction == "none":
        text += " No ambient correction was applied, so weather is part of that difference."
    return text


def _warn_drift(effect: Effect) -> str:
    contrast = effect.contrast
    if contrast.drift_confounded < CONFOUNDED:
        return ""
    how = (
        "a straight drift was fitted, which costs most of the precision"
        if contrast.drift_fitted
        else "the interval is widened by the largest drift that past sessions do not exclude"
    )
    if not contrast.drift_fitted and effect.noise.drift is None:
        how = "no past session tells how far this cell drifts, so none could be allowed for"
    return (
        "The run order hardly separates the change from a drift of the engine or cell (all of one "
        f"setup, then all of the other): {how}. Returning to the baseline would separate them."
    )


def _warn_order(own: CurveSet) -> str:
    if np.isfinite(own.order).all():
        return ""
    return (
        "The run order of some pulls is not known, so a drift of the engine or cell could not be "
        "told from the change. Give `order` or `started` in the sheet."
    )


def _warn_single(effect: Effect, own: CurveSet, noise: NoiseUsed) -> str:
    if effect.noise.own is None and effect.spread is not None:
        return (
            "No setup was repeated within this study: how far pulls repeat is taken wholly from "
            f"{noise.history_pulls} other pulls."
        )
    if noise.history_pulls == 0 and effect.spread is not None:
        return (
            f"The noise is judged from this study's {len(own)} pulls alone, so the interval is "
            "wider than with a history of the cell. It narrows as the warehouse fills."
        )
    return ""


def _warn_excluded(study: Study) -> str:
    if study.excluded.is_empty():
        return ""
    names = [
        f"{row['pull']} ({row['why'] or 'no reason given'})"
        for row in study.excluded.select("pull", pl.col("why").fill_null("")).iter_rows(named=True)
    ]
    return f"Left out of the answer: {', '.join(names)}."


def _warn_unused(study: Study) -> str:
    if study.unused.is_empty():
        return ""
    where = ", ".join(f"'{name}'" for name in sorted(study.unused["session"].unique().to_list()))
    return (
        f"{_count(study.unused.height, 'more accepted pull')} of the two setups, in "
        f"{'session' if study.unused['session'].n_unique() == 1 else 'sessions'} {where}, "
        "carry nothing of the effect, since the setups did not meet there; they only teach the "
        "noise."
    )


def _warn_outlying(effect: Effect) -> str:
    if not effect.outlying:
        return ""
    return (
        f"Kept out of the noise, being far from the other pulls of their setup: "
        f"{', '.join(effect.outlying)}. Look at their labels and logs."
    )


def _warn_narrowed(effect: Effect) -> str:
    if not effect.noise.narrowed:
        return ""
    return (
        "This engine's pulls vary more than those of other engines on the dyno, so the noise was "
        "learned from this engine alone."
    )


def warn_influence(influence: tuple[Influence, ...]) -> tuple[str, ...]:
    """Say which single pulls the verdict hangs on."""
    told = [
        f"without {one.pull} it would be {one.verdict.replace('_', ' ')} ({one.effect_pct:+z.2f}%, "
        f"{one.low_pct:+z.2f} to {one.high_pct:+z.2f}%)"
        for one in influence
        if one.changes
    ]
    return (f"The verdict hangs on single pulls: {'; '.join(told)}.",) if told else ()


def say_next(
    verdict: Verdict,
    overall: Overall,
    effect: Effect,
    counts: PullCounts,
    *,
    margin_pct: float,
    alpha: float,
) -> str:
    """Say what would decide the answer, or sharpen it."""
    if effect.lacking or effect.contrast.kind == "different_sessions":
        return (
            "Pull both setups in one session, alternating and ending where you began (baseline, "
            "candidate, candidate, baseline), at least two pulls each: then the day cancels."
        )
    if verdict == "undecided":
        return _more_pulls(overall, effect, counts, margin_pct=margin_pct, alpha=alpha)
    if verdict == "no_meaningful_change":
        return (
            f"A change of ±{margin_pct:g}% or more is ruled out over this band. To look for a "
            "smaller one, state a smaller margin before pulling again."
        )
    return (
        "Two more pulls a side in another session, alternating, would show whether the finding "
        "repeats on another day; in the vehicle, check in short, watched steps before full power."
    )


def _more_pulls(
    overall: Overall, effect: Effect, counts: PullCounts, *, margin_pct: float, alpha: float
) -> str:
    """Estimate the pulls a side at which the present effect, or the margin, would be decided."""
    base = pooled_variance(effect.noise)
    if base is None or effect.means_factor is None or effect.spread is None:
        return "Pull both setups again in one session, alternating."
    per_pull = float(effect.spread.means[0]) / math.sqrt(effect.contrast.factor("pull"))
    aim = max(abs(overall.effect_pct), margin_pct) / 100.0
    past_df = effect.noise.pull.df if effect.noise.pull is not None else 0

    def visible(pulls: int) -> float:
        """Return the smallest effect that so many pulls a side settle."""
        df = max(past_df + 2 * pulls - 2, 1)
        return float(student_t.ppf(1.0 - alpha / 4.0, df)) * per_pull * math.sqrt(2.0 / pulls)

    needed = next((n for n in range(2, MOST_PULLS_TRIED) if visible(n) <= aim), MOST_PULLS_TRIED)
    have = min(counts.baseline, counts.candidate)
    alternate = "in one session, alternating and ending where you began"
    if needed > MOST_PULLS_ADVISED:
        smallest = 100.0 * visible(MOST_PULLS_ADVISED)
        return (
            f"About {needed} pulls a side would be needed to settle an effect of "
            f"{100.0 * aim:.2f}%; {MOST_PULLS_ADVISED} a side settle no less than {smallest:.2f}%. "
            "Lower the noise first (warm-up, cooling time, fuel temperature), or accept that the "
            "change is too small to see here."
        )
    if needed <= have:
        return (
            f"The band mean is nearly settled; {have + 1} pulls a side {alternate} should settle "
            "it, and show where in the band it stands."
        )
    return (
        f"About {needed} pulls a side {alternate} should settle an effect of {100.0 * aim:.2f}% "
        f"(now {counts.baseline} and {counts.candidate})."
    )
