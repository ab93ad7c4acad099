"""How the pulls of a comparison were measured, gathered from the warehouse."""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

from dynostats.analysis.conditions import ATTRIBUTES, CHANNELS, Conditions, Facts, read_facts
from dynostats.warehouse import Store


def gather_conditions(
    store: Store, pulls: pl.DataFrame, *, engines: Collection[str], setups: Collection[str]
) -> Conditions:
    """Gather what is known of how pulls were measured.

    Args:
        store: The open warehouse.
        pulls: One row a stored pull.
        engines: Engines asked about.
        setups: Setups asked about: their clock and manifold pressure are looked at.
    """
    facts = read_facts(store.query("attributes", {"names": ATTRIBUTES}))
    asked = pl.col("engine").is_in(engines) & pl.col("setup").is_in(setups)
    wanted = asked | pl.col("pull").is_in([name for name, f in facts.items() if _needs_more(f)])
    names = pulls.filter(wanted, state="accepted")["pull"].to_list()
    return Conditions(facts=facts, channels=store.curves(names, channels=CHANNELS))


def _needs_more(facts: Facts) -> bool:
    """Tell whether channels beside torque go into a pull's footing."""
    return facts.inertia_kg_m2 is not None or facts.displacement_l is not None
