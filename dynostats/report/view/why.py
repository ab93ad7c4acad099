"""Why it changed, as the page shows it: the split, its footing, and what it cannot say."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.analysis.attribution import Attribution, Coefficient, Part, Total
from dynostats.analysis.comparison import Comparison
from dynostats.analysis.cooler import CoolerFinding
from dynostats.analysis.fuel import FuelFinding
from dynostats.charts.attribution import shown_causes
from dynostats.report.figures import FigureRow, figure_rows
from dynostats.report.numbers import Quantity, decimal, interval, percent, speed, speeds
from dynostats.report.reasons import NAMES, explain, say_basis, say_unsplit
from dynostats.report.view.captions import Captions
from dynostats.report.view.rows import coarse_speeds
from dynostats.report.view.words import interval_text, kilowatts

_STEP_RPM = 500
CAUSES = {
    "boost": "absolute manifold pressure",
    "charge_temperature": "absolute charge temperature",
    "mixture": "lambda",
}
CAUTION = (
    "This is an accounting, not a causal proof. It says how much of the difference goes along with "
    "what boost, charge temperature and mixture did, at the exponents stated; whatever else "
    "changed in step with them is booked on them too. It is no leave to raise boost, lean "
    "the mixture or advance the ignition."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRow:
    """One part of the difference."""

    name: str
    effect: str
    interval: str
    effect_kw: Quantity
    low_kw: Quantity | None
    high_kw: Quantity | None
    changed: str
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedPartsRow:
    """The parts at one engine speed, in the order of the table's head.

    Where the page can show them in another unit, quantities holds each cell's value and bounds.
    """

    rpm: str
    cells: tuple[str, ...]
    quantities: tuple[tuple[Quantity, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ExponentRow:
    """One exponent."""

    name: str
    estimate: str
    interval: str
    basis: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AssumedRow:
    """The split with one assumed exponent moved to an end of its range."""

    exponent: str
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BesideView:
    """What was measured of the cooler, or of fuel and mixture."""

    figures: tuple[FigureRow, ...]
    further: tuple[FigureRow, ...]
    notes: tuple[str, ...]
    method: tuple[tuple[str, str], ...]
    by_flow: tuple[SpeedPartsRow, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyView:
    """What the section prints; `unsplit` alone where nothing can be split."""

    unsplit: str
    sentence: str = ""
    caution: str = CAUTION
    notes: tuple[str, ...] = ()
    next: str = ""
    names: tuple[str, ...] = ()
    parts: tuple[PartRow, ...] = ()
    total: PartRow | None = None
    speeds: tuple[SpeedPartsRow, ...] = ()
    exponents: tuple[ExponentRow, ...] = ()
    assumed: tuple[AssumedRow, ...] = ()
    partial: tuple[str, ...] = ()
    cooler: BesideView | None = None
    fuel: BesideView | None = None


def build_why(comparison: Comparison, split: Attribution | None, refused: str) -> WhyView | None:
    """Turn an attribution into what the page prints; None where none was asked for.

    Args:
        comparison: The comparison on the page.
        split: Why it changed.
        refused: Why there is no split, in a sentence; "" where there is one.
    """
    if split is None:
        return WhyView(unsplit=refused) if refused else None
    if not split.coefficients:
        return WhyView(
            unsplit=say_unsplit(split),
            next=split.next,
            cooler=_cooler_view(split.cooler),
            fuel=_fuel_view(split.fuel),
        )
    return WhyView(
        unsplit="",
        sentence=explain(split),
        notes=(*_other_footing(comparison, split), *split.warnings),
        next=split.next,
        names=tuple(NAMES[part.name] for part in split.parts),
        parts=tuple(_part_row(split, part) for part in split.parts),
        total=_total_row(split.total, as_above=not _other_footing(comparison, split)),
        speeds=_speed_rows(split),
        exponents=tuple(_exponent_row(one) for one in split.coefficients),
        assumed=_assumed_rows(split),
        partial=shown_causes(split),
        cooler=_cooler_view(split.cooler),
        fuel=_fuel_view(split.fuel),
    )


def _cooler_view(found: CoolerFinding | None) -> BesideView | None:
    if found is None:
        return None
    return BesideView(
        figures=figure_rows(found.figures),
        further=figure_rows(found.heat_soak),
        notes=found.cannot,
        method=_method(found.method),
        by_flow=tuple(
            SpeedPartsRow(
                rpm=decimal(row["flow_kg_h"], 0),
                cells=(
                    _plain_cell(*(row[f"baseline{end}_kpa"] for end in ("", "_low", "_high"))),
                    _plain_cell(*(row[f"candidate{end}_kpa"] for end in ("", "_low", "_high"))),
                    _cell(row["change_kpa"], row["low_kpa"], row["high_kpa"]),
                ),
                quantities=(
                    _pressures(*(row[f"baseline{end}_kpa"] for end in ("", "_low", "_high"))),
                    _pressures(*(row[f"candidate{end}_kpa"] for end in ("", "_low", "_high"))),
                    _pressures(row["change_kpa"], row["low_kpa"], row["high_kpa"], signed=True),
                ),
            )
            for row in found.by_flow.gather_every(4).iter_rows(named=True)
        ),
    )


def _fuel_view(found: FuelFinding | None) -> BesideView | None:
    if found is None:
        return None
    return BesideView(
        figures=figure_rows(found.figures),
        further=figure_rows(found.cylinders),
        notes=(*found.notes, *found.cannot),
        method=_method(found.method),
    )


def _method(method: dict[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple((name.replace("_", " "), text) for name, text in method.items())


def _other_footing(comparison: Comparison, split: Attribution) -> tuple[str, ...]:
    """Say where the split is not of the very difference that stands above."""
    told: list[str] = []
    if comparison.correction != "none":
        told.append(
            f"The split is of torque as measured; the answer above is corrected by "
            f"{comparison.correction}."
        )
    if split.band != comparison.band:
        told.append(
            f"The split holds for {speeds(*split.band)}, where every channel it needs was read."
        )
    return tuple(told)


def _part_row(split: Attribution, part: Part) -> PartRow:
    changed = (
        ""
        if part.change_pct is None
        else f"{CAUSES[part.name]} {percent(part.change_pct, 2, signed=True)}"
    )
    return _row(NAMES[part.name], part, changed, say_basis(split, part))


def _total_row(total: Total, *, as_above: bool) -> PartRow:
    return PartRow(
        name="whole difference",
        effect=percent(total.effect_pct, 2, signed=True),
        interval=_interval(total.low_pct, total.high_pct),
        effect_kw=kilowatts(total.effect_kw, signed=True),
        low_kw=None,
        high_kw=None,
        changed="",
        basis="as in the answer above" if as_above else "see the notes below",
    )


def _row(name: str, part: Part, changed: str, basis: str) -> PartRow:
    return PartRow(
        name=f"{name} (assumed)" if part.assumed and part.name != "unexplained" else name,
        effect=percent(part.effect_pct, 2, signed=True),
        interval=_interval(part.low_pct, part.high_pct),
        effect_kw=kilowatts(part.effect_kw, signed=True),
        low_kw=None if part.low_kw is None else kilowatts(part.low_kw, signed=True, bare=True),
        high_kw=None if part.high_kw is None else kilowatts(part.high_kw, signed=True),
        changed=changed,
        basis=basis,
    )


def _interval(low: float | None, high: float | None) -> str:
    return interval_text(None, None) if low is None or high is None else interval(low, high, 2)


def _speed_rows(split: Attribution) -> tuple[SpeedPartsRow, ...]:
    kept = coarse_speeds(split.curve["rpm"], _STEP_RPM)
    names = [part.name for part in split.parts]
    return tuple(
        SpeedPartsRow(
            rpm=speed(row["rpm"]),
            cells=tuple(
                _cell(*(row[f"{name}_{end}pct"] for end in ("", "low_", "high_")))
                for name in (*names, "total")
            ),
        )
        for row in split.curve.iter_rows(named=True)
        if row["rpm"] in kept
    )


def _cell(value: float, low: float | None, high: float | None) -> str:
    return f"{decimal(value, 2, signed=True)} ({_interval(low, high).removesuffix('%')})"


def _plain_cell(value: float, low: float | None, high: float | None) -> str:
    return f"{decimal(value, 2)} ({_interval(low, high).removesuffix('%')})"


def _pressures(*values: float | None, signed: bool = False) -> tuple[Quantity, ...]:
    known = [value for value in values if value is not None]
    signed = signed or any(value < 0 for value in known)
    return tuple(
        Quantity(value=value, kind="kpa", digits=2, signed=signed, bare=True) for value in known
    )


def _exponent_row(one: Coefficient) -> ExponentRow:
    return ExponentRow(
        name=CAUSES[one.name],
        estimate=decimal(one.estimate, 2, signed=True),
        interval=interval(one.low, one.high, 2, unit=""),
        basis=f"assumed: {one.why}" if one.assumed else "measured",
        source=one.prior_source,
    )


def _assumed_rows(split: Attribution) -> tuple[AssumedRow, ...]:
    rows: list[AssumedRow] = []
    for (name, exponent), part in split.sensitivity.group_by(
        "coefficient", "exponent", maintain_order=True
    ):
        rows.append(
            AssumedRow(
                exponent=f"{CAUSES[str(name)]}: {decimal(float(str(exponent)), 2, signed=True)}",
                parts=tuple(percent(value, 2, signed=True) for value in part["effect_pct"]),
            )
        )
    return tuple(rows)


def _loss_caption(split: Attribution, level: str) -> dict[str, Captions]:
    if split.cooler is None or not split.cooler.by_flow.height:
        return {}
    last = split.cooler.by_flow.row(-1, named=True)
    return {
        "loss": Captions(
            shows=(
                "Pressure lost between compressor and engine over air flow, in both setups. The "
                f"shading is each setup's {level} interval at each air flow for itself."
            ),
            finding=(
                f"At {decimal(last['flow_kg_h'], 0)} kg/h the baseline loses "
                f"{decimal(last['baseline_kpa'], 1)} kPa, the candidate "
                f"{decimal(last['candidate_kpa'], 1)} kPa."
            ),
        )
    }


def why_captions(split: Attribution) -> dict[str, Captions]:
    """Return caption and finding of each picture of the section, by its name."""
    level = f"{100 * (1 - split.alpha):.3g}%"
    told = explain(split)
    captions = _loss_caption(split, level)
    if not split.coefficients:
        return captions
    captions |= {
        "split": Captions(
            shows=(
                "From the baseline to the candidate, each part beginning where the one above "
                f"ended. Lines under the bars: {level} intervals, each for its part alone. "
                "“Assumed”: the pulls alone do not tell the exponent."
            ),
            finding=told,
        ),
        "split_speed": Captions(
            shows=(
                "The parts at each engine speed; the shading is each part's "
                f"{level} interval at each speed for itself."
            ),
            finding=f"{told} By engine speed: see the table below, {speeds(*split.band)}.",
        ),
    }
    for one in split.coefficients:
        captions[f"partial_{one.name}"] = Captions(
            shows=(
                f"How torque follows {CAUSES[one.name]} from pull to pull. Points: differences "
                "between pulls of one setup in one session, mean over the band, the other causes "
                f"taken out. Line: the exponent used, with its {level} interval"
                f"{', assumed in part' if one.assumed else ''}."
            ),
            finding=(
                f"Exponent of {CAUSES[one.name]}: {decimal(one.estimate, 2, signed=True)}, "
                f"interval {interval(one.low, one.high, 2, unit='')}."
            ),
        )
    return captions
