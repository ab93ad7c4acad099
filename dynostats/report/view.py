"""The result as the page shows it: strings and rows, so that the template only prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison, Influence, Overall, Peak, Region
from dynostats.report import sentences
from dynostats.report.numbers import (
    Kind,
    Quantity,
    count,
    decimal,
    digits_for,
    interval,
    percent,
    speed,
    speeds,
)
from dynostats.report.shop import Shop

_TABLE_STEP_RPM = 250


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where a report comes from and how it is made again.

    Args:
        version: Version of dynostats.
        command: The command line that made it.
        warehouse: Name of the warehouse file.
        warehouse_hash: Hash over the warehouse's sources; "" when there is no warehouse.
        created: When it was made, as ISO 8601 text.
        sources: File name and SHA-256 of each pull's file.
    """

    version: str
    command: str = ""
    warehouse: str = ""
    warehouse_hash: str = ""
    created: str = ""
    sources: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A labelled figure under the answer: some text, a quantity or two ends of one."""

    label: str
    text: str = ""
    quantity: Quantity | None = None
    low: Quantity | None = None
    high: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionRow:
    """One region of engine speed, in words."""

    verdict: str
    symbol: str
    words: str
    speeds: str
    effect: str
    interval: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PullRow:
    """One pull of the study."""

    place: str
    pull: str
    file: str
    setup: str
    role: str
    session: str
    started: str
    covered: str
    mean_power: Quantity | None
    mean_torque: Quantity | None
    used: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedRow:
    """One grid speed of the data table; place is its row in the curve."""

    place: int
    rpm: str
    baseline_kw: Quantity
    candidate_kw: Quantity
    baseline_nm: Quantity
    candidate_nm: Quantity
    effect: str
    low: str
    high: str
    coarse: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseRow:
    """One layer of noise with what it rests on."""

    layer: str
    size: str
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakRow:
    """Peak power or torque of one setup."""

    what: str
    setup: str
    value: Quantity
    low: Quantity
    high: Quantity
    at: str
    between: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluenceRow:
    """The answer without one pull."""

    pull: str
    verdict: str
    symbol: str
    words: str
    effect: str
    interval: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodItem:
    """One entry of the method: a value, or several lines."""

    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Captions:
    """Text under each picture, and the finding in words for readers who do not see it."""

    shows: str
    finding: str


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Everything the page prints, in order of the page."""

    question: str
    answer: str
    where: tuple[str, ...]
    why: str
    next: str
    verdict: str
    symbol: str
    badge: str
    level: str
    quantity: str
    margin: str
    band: str
    band_rpm: tuple[float, float]
    step_rpm: float
    engine: str
    baseline: str
    candidate: str
    evidence: str
    n_baseline: int
    n_candidate: int
    facts: tuple[Fact, ...]
    warnings: tuple[str, ...]
    has_band: bool
    regions: tuple[RegionRow, ...]
    whole: RegionRow
    pulls: tuple[PullRow, ...]
    excluded: tuple[PullRow, ...]
    peaks: tuple[PeakRow, ...]
    influence: tuple[InfluenceRow, ...]
    firmness: str
    design_check: tuple[MethodItem, ...]
    noise: tuple[NoiseRow, ...]
    noise_source: str
    history: str
    speeds: tuple[SpeedRow, ...]
    captions: Mapping[str, Captions]
    settings: tuple[MethodItem, ...]
    formulas: tuple[MethodItem, ...]
    references: tuple[str, ...]
    provenance: tuple[tuple[str, str], ...]
    sources: tuple[tuple[str, str], ...]
    shop: Shop | None


def build_view(result: Comparison, *, shop: Shop | None, provenance: Provenance | None) -> View:
    """Turn a comparison into everything the page prints."""
    symbol, badge = sentences.BADGES[result.verdict]
    pulls = _pull_rows(result)
    settings, formulas, references = _method(result.method)
    rpm = result.curve["rpm"]
    return View(
        question=sentences.question(result),
        answer=sentences.answer(result),
        where=sentences.where(result),
        why=result.why,
        next=result.next,
        verdict=result.verdict,
        symbol=symbol,
        badge=badge,
        level=sentences.level(result),
        quantity=result.quantity,
        margin=f"±{result.margin_pct:g}%",
        band=speeds(*result.band),
        band_rpm=result.band,
        step_rpm=float(rpm[1] - rpm[0]) if rpm.len() > 1 else 1.0,
        engine=result.engine,
        baseline=result.baseline,
        candidate=result.candidate,
        evidence=sentences.evidence(result),
        n_baseline=result.pulls.baseline,
        n_candidate=result.pulls.candidate,
        facts=_facts(result),
        warnings=result.warnings,
        has_band=result.overall.low_pct is not None,
        regions=_region_rows(result),
        whole=_whole_row(result),
        pulls=tuple(row for row in pulls if row.used),
        excluded=tuple(row for row in pulls if not row.used),
        peaks=_peak_rows(result),
        influence=_influence_rows(result),
        firmness=sentences.firmness(result),
        design_check=_design_check(result),
        noise=_noise_rows(result),
        noise_source=result.noise.source,
        history=_history(result),
        speeds=_speed_rows(result),
        captions=_captions(result),
        settings=settings,
        formulas=formulas,
        references=references,
        provenance=_provenance(provenance),
        sources=() if provenance is None else provenance.sources,
        shop=shop,
    )


def _facts(result: Comparison) -> tuple[Fact, ...]:
    overall = result.overall
    level = sentences.level(result)
    digits = digits_for(overall.low_pct, overall.high_pct)
    facts = [
        Fact(
            label=f"Mean difference, {speeds(*result.band)}",
            text=percent(overall.effect_pct, digits, signed=True),
        ),
        Fact(
            label=f"{level} interval of the mean",
            text=_interval_text(overall.low_pct, overall.high_pct),
        ),
        Fact(
            label="In power, mean over the range",
            quantity=_kw(overall.effect_kw, signed=True),
            low=None if overall.low_kw is None else _kw(overall.low_kw, signed=True, bare=True),
            high=None if overall.high_kw is None else _kw(overall.high_kw, signed=True),
        ),
        Fact(label="Pulls behind it", text=sentences.evidence(result)),
    ]
    if overall.probability_gain_over_margin is not None:
        facts.append(
            Fact(
                label=f"Chance that the mean gain exceeds {result.margin_pct:g}%",
                text=_chance(overall.probability_gain_over_margin),
            )
        )
    return tuple(facts)


def _kw(value: float, *, signed: bool = False, bare: bool = False) -> Quantity:
    return Quantity(value=value, kind="kw", signed=signed, bare=bare)


def _chance(probability: float) -> str:
    """Return a probability in percent that never claims certainty."""
    if probability > 0.99:
        return "over 99%"
    if probability < 0.01:
        return "under 1%"
    return percent(100 * probability, 0)


def _effect(of: Overall | Region | Influence) -> str:
    """Return a mean difference with as many decimals as its interval has."""
    return percent(of.effect_pct, digits_for(of.low_pct, of.high_pct), signed=True)


def _interval_text(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "unknown"
    return interval(low, high, digits_for(low, high))


def _region_rows(result: Comparison) -> tuple[RegionRow, ...]:
    return tuple(
        RegionRow(
            verdict=region.verdict,
            symbol=sentences.BADGES[region.verdict][0],
            words=sentences.REGION_WORDS[region.verdict],
            speeds=speeds(region.from_rpm, region.to_rpm),
            effect=_effect(region),
            interval=_interval_text(region.low_pct, region.high_pct),
        )
        for region in result.regions
    )


def _whole_row(result: Comparison) -> RegionRow:
    overall = result.overall
    return RegionRow(
        verdict=result.verdict,
        symbol=sentences.BADGES[result.verdict][0],
        words=sentences.REGION_WORDS[result.verdict],
        speeds=speeds(*result.band),
        effect=_effect(overall),
        interval=_interval_text(overall.low_pct, overall.high_pct),
    )


def _pull_rows(result: Comparison) -> list[PullRow]:
    return [
        _pull_row(place, row)
        for place, row in enumerate(result.pull_table.iter_rows(named=True), start=1)
    ]


def _pull_row(place: int, row: dict[str, object]) -> PullRow:
    power, torque = (cast("float | None", row[name]) for name in ("mean_kw", "mean_nm"))
    ends = [cast("float | None", row[name]) for name in ("rpm_low", "rpm_high")]
    known = [end for end in ends if end is not None]
    return PullRow(
        place=str(place),
        pull=_word(row["pull"]),
        file=_word(row["file"]),
        setup=_word(row["setup"]),
        role=_word(row["role"]),
        session=_word(row["session"]),
        started=_word(row["started"]).replace("T", " "),
        covered=speeds(known[0], known[1]) if len(known) == len(ends) else "",
        mean_power=None if power is None else Quantity(value=power, kind="kw", bare=True),
        mean_torque=None if torque is None else Quantity(value=torque, kind="nm", bare=True),
        used=row["state"] == "accepted",
        why=_word(row["why"]),
    )


def _peak_rows(result: Comparison) -> tuple[PeakRow, ...]:
    return tuple(_peak_row(peak) for peak in result.peaks)


def _peak_row(peak: Peak) -> PeakRow:
    kind: Kind = "kw" if peak.quantity == "power" else "nm"
    edge = " (at the end of the range: the curve may go on rising)" if peak.at_edge else ""
    return PeakRow(
        what=f"Peak {peak.quantity}",
        setup=peak.setup,
        value=Quantity(value=peak.value, kind=kind),
        low=Quantity(value=peak.low, kind=kind, bare=True),
        high=Quantity(value=peak.high, kind=kind),
        at=f"{speed(peak.rpm)} rpm{edge}",
        between=speeds(peak.rpm_low, peak.rpm_high),
    )


def _influence_rows(result: Comparison) -> tuple[InfluenceRow, ...]:
    return tuple(
        InfluenceRow(
            pull=one.pull,
            verdict=one.verdict,
            symbol=sentences.BADGES[one.verdict][0],
            words=sentences.REGION_WORDS[one.verdict],
            effect=_effect(one),
            interval=_interval_text(one.low_pct, one.high_pct),
        )
        for one in result.influence
    )


def _design_check(result: Comparison) -> tuple[MethodItem, ...]:
    """Return the check by relabelling as labelled lines; empty where there is none."""
    check = result.design_check
    if check is None:
        return ()
    extent = "all there are" if check.exact else "drawn at random"
    return (
        MethodItem(name="Result", lines=(check.text,)),
        MethodItem(name="p value", lines=(f"{check.p_value:.3g}",)),
        MethodItem(name="Smallest p these pulls can reach", lines=(f"{check.smallest_p:.3g}",)),
        MethodItem(name="Relabellings", lines=(f"{check.relabelings:,} ({extent})",)),
    )


def _word(value: object) -> str:
    return "" if value is None else str(value)


def _noise_rows(result: Comparison) -> tuple[NoiseRow, ...]:
    noise = result.noise
    return (
        NoiseRow(
            layer="One pull to the next, same setup and session",
            size=_sd(noise.pull_sd_pct),
            basis=f"{decimal(noise.pull_df, 0)} degrees of freedom",
        ),
        NoiseRow(
            layer="One session to the next, same setup",
            size=_sd(noise.session_sd_pct),
            basis=(
                "no setup was repeated in another session"
                if noise.session_df is None
                else f"{decimal(noise.session_df, 0)} degrees of freedom"
            ),
        ),
        NoiseRow(
            layer="Drift from each pull to the next",
            size=_sd(noise.drift_sd_pct),
            basis="not estimated" if noise.drift_sd_pct is None else "from run order",
        ),
    )


def _sd(value: float | None) -> str:
    return "unknown" if value is None else percent(value, 2)


def _history(result: Comparison) -> str:
    noise = result.noise
    if noise.history_pulls == 0:
        return "It rests on the pulls of this study alone."
    weight = percent(100 * noise.history_weight, 0)
    return (
        f"{count(noise.history_pulls, 'earlier pull')} outside this study carry {weight} of the "
        "weight of that estimate."
    )


def _speed_rows(result: Comparison) -> tuple[SpeedRow, ...]:
    coarse = _coarse(result.curve["rpm"])
    return tuple(
        SpeedRow(
            place=place,
            rpm=speed(row["rpm"]),
            baseline_kw=_kw(row["baseline_kw"], bare=True),
            candidate_kw=_kw(row["candidate_kw"], bare=True),
            baseline_nm=Quantity(value=row["baseline_nm"], kind="nm", bare=True),
            candidate_nm=Quantity(value=row["candidate_nm"], kind="nm", bare=True),
            effect=decimal(row["effect_pct"], 2, signed=True),
            low="unknown" if row["low_pct"] is None else decimal(row["low_pct"], 2, signed=True),
            high="unknown" if row["high_pct"] is None else decimal(row["high_pct"], 2, signed=True),
            coarse=row["rpm"] in coarse,
        )
        for place, row in enumerate(result.curve.iter_rows(named=True))
    )


def _coarse(rpm: pl.Series) -> set[float]:
    """Return the grid speed nearest to each multiple of 250 rpm inside the range."""
    grid = rpm.to_numpy()
    first = -(-grid[0] // _TABLE_STEP_RPM) * _TABLE_STEP_RPM
    wanted = np.arange(first, grid[-1] + 1e-9, _TABLE_STEP_RPM)
    return {float(grid[np.abs(grid - speed_wanted).argmin()]) for speed_wanted in wanted}


def _captions(result: Comparison) -> dict[str, Captions]:
    level = sentences.level(result)
    n = sentences.pulls_against(result)
    mean = percent(result.overall.effect_pct, 1, signed=True)
    bounds = _interval_text(result.overall.low_pct, result.overall.high_pct)
    excluded = count(result.pulls.excluded, "excluded pull")
    spread = _sd(result.noise.pull_sd_pct)
    return {
        "effect": Captions(
            shows=(
                f"Difference in {result.quantity} at each engine speed ({n}). The shaded band "
                f"holds over the whole curve at once, at {level}; dotted lines mark the "
                f"±{result.margin_pct:g}% margin; the strip says what is shown where."
            ),
            finding=sentences.alternative(result),
        ),
        "pulls": Captions(
            shows=(
                f"Every accepted pull against the mean of the baseline ({n}). Dashed: baseline; "
                "solid: candidate. Lines of one kind that scatter as far as the two kinds lie "
                "apart are noise, not a difference."
            ),
            finding=(
                f"Each pull as a difference from the baseline mean; on average the candidate "
                f"lies {mean} from it, interval {bounds}, with pulls scattering by a standard "
                f"deviation of {spread}."
            ),
        ),
        "regions": Captions(
            shows=f"Mean difference of the whole range and of its parts, with {level} intervals.",
            finding=" ".join(
                f"{row.speeds}: {row.effect}, interval {row.interval}, {row.words}."
                for row in (_whole_row(result), *_region_rows(result))
            ),
        ),
        "power": Captions(
            shows=f"Power of both setups ({n}). Thin lines are pulls, thick lines are means.",
            finding=_highest(result, "kw", "Power", "kW"),
        ),
        "torque": Captions(
            shows=f"Torque of both setups ({n}). Thin lines are pulls, thick lines are means.",
            finding=_highest(result, "nm", "Torque", "N·m"),
        ),
        "order": Captions(
            shows=(
                "Mean power of each pull in the order run. A slope along the order, not the "
                "setups, would show a cell that drifts."
            ),
            finding=(
                f"Mean power of {n} pulls in run order, {excluded}; the table below lists them."
            ),
        ),
        "influence": Captions(
            shows=f"Mean difference with every pull, and without each one; {level} intervals.",
            finding=" ".join(
                [f"With every pull {mean}, interval {bounds}.", sentences.firmness(result)]
            ),
        ),
        "noise": Captions(
            shows=(
                "How far single pulls and sessions scatter (one standard deviation either way), "
                f"and the difference found with its {level} interval, on one scale."
            ),
            finding=(
                f"Difference found {mean}, interval {bounds}, against a standard deviation of "
                f"{spread} from pull to pull and {_sd(result.noise.session_sd_pct)} from session "
                "to session."
            ),
        ),
    }


def _highest(result: Comparison, suffix: str, name: str, unit: str) -> str:
    """Return where each mean curve is highest, as a description of the picture, not a finding."""
    parts = [
        f"{role} mean highest at {decimal(peak[f'{role}_{suffix}'], 1)} {unit} near "
        f"{speed(peak['rpm'])} rpm"
        for role in ("baseline", "candidate")
        for peak in [result.curve.sort(f"{role}_{suffix}")[-1].row(0, named=True)]
    ]
    return f"{name} over engine speed: {'; '.join(parts)}."


def _method(
    method: Mapping[str, object],
) -> tuple[tuple[MethodItem, ...], tuple[MethodItem, ...], tuple[str, ...]]:
    """Split the method into settings, formulas and references, each readable."""
    formulas = method.get("formulas", {})
    references = method.get("references", ())
    settings = {k: v for k, v in method.items() if k not in ("formulas", "references")}
    return _items(settings), _items(formulas), _lines(references)


def _items(value: object) -> tuple[MethodItem, ...]:
    if isinstance(value, Mapping):
        mapping = cast("Mapping[object, object]", value)
        return tuple(
            MethodItem(name=str(key).replace("_", " "), lines=_lines(item))
            for key, item in mapping.items()
        )
    return tuple(MethodItem(name="", lines=(line,)) for line in _lines(value))


def _lines(value: object) -> tuple[str, ...]:
    match value:
        case str():
            return (value,)
        case Mapping():
            mapping = cast("Mapping[object, object]", value)
            return tuple(
                f"{str(key).replace('_', ' ')}: {', '.join(_lines(item))}"
                for key, item in mapping.items()
            )
        case Sequence():
            return tuple(line for item in cast("Sequence[object]", value) for line in _lines(item))
        case _:
            return (_scalar(value),)


def _scalar(value: object) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{round(value, 12):.6g}"
        case _:
            return str(value)


def _provenance(provenance: Provenance | None) -> tuple[tuple[str, str], ...]:
    if provenance is None:
        return ()
    rows = [
        ("Made with", f"dynostats {provenance.version}"),
        ("Command", provenance.command),
        ("Warehouse", provenance.warehouse),
        ("Hash of the warehouse", provenance.warehouse_hash),
        ("Made on", provenance.created),
    ]
    return tuple((name, value) for name, value in rows if value)
