"""How an answer was reached: settings, formulas in words, and where they come from."""

from __future__ import annotations

from dynostats.analysis.effect import Effect

REFERENCES = (
    "ISO 5725-1:1994 and 5725-2:1994, repeatability and reproducibility of measurement results",
    "Henderson (1953), Biometrics 9:226, variance components by fitted constants",
    (
        "Smyth (2004), Stat. Applications in Genetics and Molecular Biology 3(1):3, moderated "
        "variance"
    ),
    "Degras (2011), Statistica Sinica 21:1735, simultaneous bands for curves",
    "Berger & Hsu (1996), Statistical Science 11:283, equivalence by intersection-union",
    "Fan & Gijbels (1996), Local Polynomial Modelling and Its Applications, smoothing",
)

FORMULAS = {
    "model": "ln T(i, n) = setup(n) + session(n) + fitting(n) + drift(n) * order(i) + pull(i, n)",
    "effect": "d(n) = sum over pulls i of w(i) * ln T(i, n);  percent = 100 * (exp d(n) - 1)",
    "variance": "Var d(n) = sum w(i)^2 * s2_pull(n) + a_session * s2_session(n) "
    "+ a_drift * s2_drift(n) + a_refit * s2_refit(n)",
    "moderated scale": "s2_pull(n) = shape(n) * (v * 1 + (1 - v) * ratio),  v = d0 / (d0 + d), "
    "ratio = this study's mean square over history's",
    "bounds": "d(n) +- c_curve * se(n) and mean d +- c_mean * se(mean), with "
    "P(any |t(n)| > c_curve or |t(mean)| > c_mean) <= alpha in simulated studies",
    "power": "P [kW] = T [N.m] * n [rpm] * pi / 30000",
}


def describe_method(
    effect: Effect, alpha: float, margin_pct: float, draws: int
) -> dict[str, object]:
    """Return settings and formulas, as the report and the JSON show them."""
    contrast = effect.contrast
    return {
        "model": "log torque = engine and setup curve + session curve + drift x run order + pull "
        "curve; the effect is a weighted sum of pulls, the same weights at every engine speed",
        "effect": "percent = 100 x (exp(log ratio candidate over baseline) - 1); the band mean is "
        "taken on the log scale, evenly over engine speed; in kW it is weighted by the baseline's "
        "power",
        "design": contrast.kind,
        "variance": "pull factor x pull variance + session factor x session variance + drift "
        "factor x drift variance, each a function of engine speed",
        "pull_factor": contrast.factor("pull"),
        "session_factor": contrast.factor("session"),
        "drift_factor": contrast.factor("drift"),
        "drift_fitted": contrast.drift_fitted,
        "fittings": "differences between fittings of one setup are in the interval"
        if effect.noise.refit is not None
        else "each setup is judged as it was fitted; what taking it off and fitting it anew would "
        "change is not in the interval",
        "bands": f"the curve's bounds and the band mean's hold together at {1.0 - alpha:.0%}: "
        "critical values from simulated studies in which every variance is estimated anew",
        "curve_critical_value": effect.curve_factor,
        "mean_critical_value": effect.means_factor,
        "simulated_studies": draws,
        "equivalence": f"no meaningful change when at every speed the {1.0 - 2.0 * alpha:.0%} "
        f"interval lies within ±{margin_pct:g}%",
        "formulas": FORMULAS,
        "grid_step_rpm": 50.0,
        "smoothing_half_width_rpm": 150.0,
        "references": list(REFERENCES),
    }
