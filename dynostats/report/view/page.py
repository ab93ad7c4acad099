"""The result as the page shows it: strings and rows, so that the template only prints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dynostats.analysis.attribution import Attribution
from dynostats.analysis.comparison import Comparison
from dynostats.report import sentences
from dynostats.report.numbers import speeds
from dynostats.report.shop import Shop
from dynostats.report.view.captions import Captions, build_captions
from dynostats.report.view.declared import DeclaredView, build_declared
from dynostats.report.view.facts import Fact, build_facts
from dynostats.report.view.method import (
    MethodItem,
    Provenance,
    design_check_items,
    provenance_rows,
    split_method,
)
from dynostats.report.view.rows import (
    InfluenceRow,
    NoiseRow,
    PeakRow,
    PullRow,
    RegionRow,
    SpeedRow,
    history_text,
    influence_rows,
    noise_rows,
    peak_rows,
    pull_rows,
    region_rows,
    speed_rows,
    whole_row,
)
from dynostats.report.view.standing import Standing, build_standing
from dynostats.report.view.why import WhyView, build_why, why_captions


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
    declared: DeclaredView | None
    causes: WhyView | None
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
    standing: Standing
    shop: Shop | None


def build_view(
    result: Comparison,
    *,
    split: Attribution | None,
    refused: str,
    shop: Shop | None,
    provenance: Provenance | None,
) -> View:
    """Turn a comparison, and why it came out so, into everything the page prints."""
    symbol, badge = sentences.BADGES[result.verdict]
    pulls = pull_rows(result)
    settings, formulas, references = split_method(result.method)
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
        facts=build_facts(result),
        warnings=result.warnings,
        declared=build_declared(result),
        causes=build_why(result, split, refused),
        regions=region_rows(result),
        whole=whole_row(result),
        pulls=tuple(row for row in pulls if row.used),
        excluded=tuple(row for row in pulls if not row.used),
        peaks=peak_rows(result),
        influence=influence_rows(result),
        firmness=sentences.firmness(result),
        design_check=design_check_items(result),
        noise=noise_rows(result),
        noise_source=result.noise.source,
        history=history_text(result),
        speeds=speed_rows(result),
        captions=build_captions(result) | ({} if split is None else why_captions(split)),
        settings=settings,
        formulas=formulas,
        references=references,
        provenance=provenance_rows(provenance),
        sources=() if provenance is None else provenance.sources,
        standing=build_standing(result),
        shop=shop,
    )
