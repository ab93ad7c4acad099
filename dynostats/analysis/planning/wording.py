"""A declared question in words, for terminal, page and report alike."""

from __future__ import annotations

from dynostats.analysis.planning.declaration import Declaration, Declared, Look

RULE_WORDS = {
    "pocock": "Pocock's boundary",
    "obrien_fleming": "O'Brien and Fleming's boundary",
    "lan_demets_pocock": "Lan and DeMets' spending of Pocock's type",
    "lan_demets_obrien_fleming": "Lan and DeMets' spending of O'Brien and Fleming's type",
}


def say_declared(declared: Declaration) -> str:
    """Return what was declared in a sentence."""
    band = (
        "over what every pull covers"
        if declared.band is None
        else f"from {declared.band[0]:,.0f} to {declared.band[1]:,.0f} rpm"
    )
    return (
        f"Declared {declared.declared_at:%Y-%m-%d %H:%M} UTC by {declared.who} (question "
        f"{declared.number}): does {declared.candidate} change the {declared.quantity} of "
        f"{declared.baseline} on {declared.engine} {band} by {declared.margin_pct:g}% or more; "
        f"{declared.pulls_per_setup} pulls of each setup in the order "
        f"{' '.join(row.role for row in declared.compared())}, alpha {declared.alpha:g}, "
        f"{say_looks(declared)}."
    )


def say_looks(declared: Declaration) -> str:
    """Return how often a study is looked at, and by which rule."""
    if declared.looks == 1:
        return "looked at once, at the end"
    return f"{declared.looks} looks by {RULE_WORDS[declared.rule]}"


def say_departures(declared: Declared) -> tuple[str, ...]:
    """Return every departure, or that there is none."""
    return declared.departures or ("It was followed to the letter.",)


def say_look(look: Look) -> str:
    """Return what a look said in a line."""
    effect = "no effect yet" if look.effect_pct is None else f"{look.effect_pct:+.2f}%"
    if look.low_pct is None or look.high_pct is None:
        bounds = "nothing could be claimed yet"
    else:
        bounds = f"{look.low_pct:+.2f} to {look.high_pct:+.2f}% at level {look.level:.3g}"
    return f"after {look.pairs} pairs {effect} ({bounds}): {look.decision}"
