"""A literal comparison as the analysis would give it: the input of every chart and report test.

Invented shop, engine and change. Three pulls against three in one session, plus one void pull; a
gain of about 2.4% at the top, undecided low down.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.comparison import (
    Comparison,
    DesignCheck,
    Influence,
    NoiseUsed,
    Overall,
    Peak,
    PullCounts,
    Region,
)

BASELINE = "stock downpipe"
CANDIDATE = "wide downpipe"
MARGIN_PCT = 0.5


def grid(step: float = 50.0) -> np.ndarray:
    """Return the grid speeds in rpm, 2,400 to 6,800."""
    return np.arange(2400.0, 6800.0 + step / 2, step)


def baseline_torque(rpm: np.ndarray) -> np.ndarray:
    """Return a plausible turbocharged torque curve in N.m."""
    rise = 1 / (1 + np.exp(-(rpm - 2550) / 260))
    fall = 1 - 0.19 * np.clip((rpm - 4700) / 2100, 0, None) ** 1.7
    return 248.0 * (0.55 + 0.45 * rise) * fall


def effect(rpm: np.ndarray) -> np.ndarray:
    """Return the measured effect in percent: nothing low down, 3.3% at the top."""
    wave = 0.12 * np.sin(rpm / 310.0)
    return 0.15 + 3.2 / (1 + np.exp(-(rpm - 4300) / 480)) + wave


def half_width(rpm: np.ndarray) -> np.ndarray:
    """Return the half width of the simultaneous band in percent."""
    return 1.05 + 0.9 * np.exp(-(rpm - 2400) / 500)


def regions_of(curve: pl.DataFrame) -> tuple[Region, ...]:
    """Cut the curve into runs of one verdict by the rule of METHODS, section 3."""
    verdicts = [
        "gain"
        if low > 0
        else "loss"
        if high < 0
        else "no_meaningful_change"
        if low > -MARGIN_PCT and high < MARGIN_PCT
        else "undecided"
        for low, high in curve.select("low_pct", "high_pct").iter_rows()
    ]
    starts = [i for i, v in enumerate(verdicts) if i == 0 or verdicts[i - 1] != v]
    ends = [*starts[1:], len(verdicts)]
    return tuple(_region(curve[a:b], verdicts[a]) for a, b in zip(starts, ends, strict=True))


def _region(part: pl.DataFrame, verdict: str) -> Region:
    means = {name: _log_mean(part[name]) for name in ("effect_pct", "low_pct", "high_pct")}
    return Region(from_rpm=part["rpm"][0], to_rpm=part["rpm"][-1], verdict=verdict, **means)


def _log_mean(pct: pl.Series) -> float:
    return float(np.expm1(np.log1p(pct.to_numpy() / 100).mean()) * 100)


def example_curve(step: float = 50.0) -> pl.DataFrame:
    """Return the curve table of the example."""
    rpm = grid(step)
    torque, pct, half = baseline_torque(rpm), effect(rpm), half_width(rpm)
    to_kw = rpm * np.pi / 30000
    return pl.DataFrame(
        {
            "rpm": rpm,
            "baseline_kw": torque * to_kw,
            "candidate_kw": torque * (1 + pct / 100) * to_kw,
            "baseline_nm": torque,
            "candidate_nm": torque * (1 + pct / 100),
            "effect_pct": pct,
            "low_pct": pct - half,
            "high_pct": pct + half,
            "low_pointwise_pct": pct - 0.62 * half,
            "high_pointwise_pct": pct + 0.62 * half,
        }
    )


def example_pulls(step: float = 50.0, a_side: int = 3) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return pull_table and pull_curves: alternating pulls, the fourth one void."""
    generator = np.random.default_rng(20240817)
    rpm = grid(step)
    to_kw = rpm * np.pi / 30000
    roles = ["baseline", "candidate"] * a_side
    roles.insert(3, "candidate")
    table, curves = [], []
    for order, role in enumerate(roles, start=1):
        excluded = order == 4
        own = 1 + effect(rpm) / 100 * (role == "candidate")
        level, slope = generator.normal(0, 0.004), generator.normal(0, 0.002)
        shape = level + slope * (rpm - 4600) / 2200 + 0.002 * np.sin(rpm / 420 + order)
        torque = baseline_torque(rpm) * own * np.exp(shape)
        pull = f"P{order:02d}"
        table.append(
            {
                "pull": pull,
                "file": f"run{order}.csv",
                "dyno": "cell 1",
                "session": "12 May",
                "setup": BASELINE if role == "baseline" else CANDIDATE,
                "role": role,
                "order": order,
                "started": f"2024-05-12T{9 + order // 4:02d}:{order % 4 * 14:02d}:00",
                "state": "excluded" if excluded else "accepted",
                "why": "torque dropped to zero for 0.8 s near 4,100 rpm" if excluded else "",
                "mean_kw": None if excluded else float((torque * to_kw).mean()),
                "mean_nm": None if excluded else float(torque.mean()),
                "rpm_low": 2310.0,
                "rpm_high": 6890.0,
            }
        )
        if not excluded:
            curves.append(
                pl.DataFrame(
                    {
                        "pull": [pull] * rpm.size,
                        "role": [role] * rpm.size,
                        "rpm": rpm,
                        "power_kw": torque * to_kw,
                        "torque_nm": torque,
                    }
                )
            )
    return pl.DataFrame(table), pl.concat(curves)


def example_peaks(curve: pl.DataFrame) -> tuple[Peak, ...]:
    """Return the four peaks, a little lower than the curves' own, as the analysis corrects them."""
    peaks = []
    for quantity, suffix in (("power", "kw"), ("torque", "nm")):
        for role, setup in (("baseline", BASELINE), ("candidate", CANDIDATE)):
            top = curve.sort(f"{role}_{suffix}")[-1].row(0, named=True)
            value = top[f"{role}_{suffix}"] * 0.9995
            peaks.append(
                Peak(
                    setup=setup,
                    quantity=quantity,
                    value=value,
                    low=value * 0.992,
                    high=value * 1.008,
                    rpm=top["rpm"],
                    rpm_low=top["rpm"] - 150.0,
                    rpm_high=top["rpm"] + 100.0,
                    at_edge=False,
                )
            )
    return tuple(peaks)


def example_influence(pull_table: pl.DataFrame) -> tuple[Influence, ...]:
    """Return the answer without each accepted pull; without P02 it would be undecided."""
    used = pull_table.filter(pl.col("state") == "accepted")["pull"].to_list()
    return tuple(
        Influence(
            pull=pull,
            verdict="undecided" if pull == "P02" else "gain",
            effect_pct=1.4 if pull == "P02" else 1.9 + 0.05 * place,
            low_pct=-0.1 if pull == "P02" else 0.8,
            high_pct=2.9 if pull == "P02" else 3.2,
            changes=pull == "P02",
        )
        for place, pull in enumerate(used)
    )


def example_comparison(*, step: float = 50.0, a_side: int = 3, **changes: object) -> Comparison:
    """Return the example result, with any field replaced by keyword."""
    curve = example_curve(step)
    pull_table, pull_curves = example_pulls(step, a_side)
    fields: dict[str, object] = {
        "engine": "Larkspur 1.8 turbo",
        "baseline": BASELINE,
        "candidate": CANDIDATE,
        "quantity": "power",
        "correction": "none",
        "margin_pct": MARGIN_PCT,
        "alpha": 0.05,
        "band": (2400.0, 6800.0),
        "verdict": "gain",
        "why": ("The band of the difference lies above zero from 3,900 rpm upward, nowhere below."),
        "overall": Overall(
            effect_pct=_log_mean(curve["effect_pct"]),
            low_pct=1.1,
            high_pct=2.9,
            effect_kw=float((curve["candidate_kw"] - curve["baseline_kw"]).mean()),
            low_kw=1.2,
            high_kw=3.6,
            probability_gain_over_margin=0.994,
        ),
        "regions": regions_of(curve),
        "curve": curve,
        "pulls": PullCounts(baseline=a_side, candidate=a_side, excluded=1),
        "pull_table": pull_table,
        "pull_curves": pull_curves,
        "peaks": example_peaks(curve),
        "influence": example_influence(pull_table),
        "design_check": DesignCheck(
            p_value=0.1,
            smallest_p=0.1,
            relabelings=20,
            exact=True,
            agrees=None,
            text="With 3 pulls against 3 no relabelling can come out below 0.10.",
        ),
        "noise": NoiseUsed(
            source="24 accepted pulls of this engine on cell 1, 6 sessions",
            pull_df=16.0,
            session_df=4.0,
            pull_sd_pct=0.42,
            session_sd_pct=0.71,
            drift_bound_pct=0.05,
            drift_sessions=9,
            correlation_rpm=450.0,
            history_pulls=18,
            history_weight=0.75,
        ),
        "warnings": ("Coolant was 4 °C warmer in the first pull; its torque may read low.",),
        "next": (
            "Two more pulls of each setup in the same session would narrow the band below "
            "3,900 rpm to about ±0.9%."
        ),
        "method": {
            "grid_step_rpm": step,
            "smoothing": "local-linear in rpm, bandwidth 120 rpm",
            "band": "parametric bootstrap of the studentised curve, 4,000 draws",
            "seed": 1,
            "formulas": {
                "effect": "100 (exp(mean log T_candidate(n) - mean log T_baseline(n)) - 1)",
                "power": "P [kW] = T [N.m] n [rpm] pi / 30000",
            },
            "references": [
                "ISO 5725-2:2019, repeatability and reproducibility of a standard method.",
                "Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3(1):3, moderated variances.",
            ],
        },
    }
    return Comparison(**(fields | changes))


def without_noise() -> Comparison:
    """Return a comparison whose noise is unknown: no interval anywhere, undecided."""
    curve = example_curve().with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name)
        for name in ("low_pct", "high_pct", "low_pointwise_pct", "high_pointwise_pct")
    )
    base = example_comparison()
    overall = Overall(
        effect_pct=base.overall.effect_pct,
        low_pct=None,
        high_pct=None,
        effect_kw=base.overall.effect_kw,
        low_kw=None,
        high_kw=None,
        probability_gain_over_margin=None,
    )
    region = Region(
        from_rpm=2400.0,
        to_rpm=6800.0,
        verdict="undecided",
        effect_pct=base.overall.effect_pct,
        low_pct=None,
        high_pct=None,
    )
    noise = NoiseUsed(
        source="no repeated session is on record",
        pull_df=4.0,
        session_df=None,
        pull_sd_pct=0.42,
        session_sd_pct=None,
        drift_bound_pct=None,
        drift_sessions=0,
        correlation_rpm=None,
        history_pulls=0,
        history_weight=0.0,
    )
    return example_comparison(
        curve=curve,
        overall=overall,
        regions=(region,),
        noise=noise,
        peaks=(),
        influence=(),
        design_check=None,
        verdict="undecided",
        why="The setups never shared a session and no session was ever repeated.",
        next="Pull both setups in one session, alternating, and return to the baseline at the end.",
    )
