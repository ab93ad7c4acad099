"""The page of all studies: a table that can be searched and sorted, linked to the reports."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from markupsafe import Markup

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.study_list import ORIGINS, Study, StudyList
from dynostats.charts.spark import spark_chart, spark_scale
from dynostats.errors import InputError
from dynostats.report import sentences
from dynostats.report.numbers import percent
from dynostats.report.page import render_static, write_page
from dynostats.report.pictures import draw_static
from dynostats.report.reproduction import read_filed
from dynostats.report.shop import Shop
from dynostats.report.view.method import Provenance, provenance_rows
from dynostats.report.view.words import effect_text, interval_text

Key = tuple[str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRow:
    """One study as the table prints it."""

    candidate: str
    baseline: str
    engine: str
    verdict: str
    symbol: str
    words: str
    effect: str
    effect_pct: float | None
    interval: str
    pulls: str
    speeds: str
    kind: str
    origin: str
    when: str
    why: str
    link: str
    picture: Markup
    said: str


def render_studies(
    found: StudyList,
    *,
    links: Mapping[Key, str],
    shop: Shop | None = None,
    provenance: Provenance | None = None,
) -> str:
    """Return all studies as one HTML page that loads nothing from anywhere.

    Args:
        found: The studies.
        links: Address of the report of each study that has one, by engine, baseline, candidate.
        shop: The shop whose name stands on it.
        provenance: Where it comes from; None leaves that section out.
    """
    judged = [one.finding for one in found.studies if one.finding is not None]
    scale = spark_scale(judged)
    return render_static(
        "studies.html.j2",
        script="studies.js",
        rows=[_row(at, one, scale, links) for at, one in enumerate(found.studies)],
        caution=found.caution,
        scale=percent(scale, 1),
        shop=shop,
        provenance=provenance_rows(provenance),
    )


def write_studies(
    found: StudyList,
    path: Path,
    *,
    reports: Mapping[Key, Path],
    shop: Shop | None = None,
    provenance: Provenance | None = None,
) -> Path:
    """Write that page and return its path; links are relative to it.

    Raises:
        InputError: When the file cannot be written.
    """
    links = {
        key: quote(os.path.relpath(file, path.parent).replace(os.sep, "/"))
        for key, file in reports.items()
    }
    return write_page(render_studies(found, links=links, shop=shop, provenance=provenance), path)


def find_reports(folder: Path) -> dict[Key, Path]:
    """Return the report of each study in a folder, the last one made where there are several."""
    found: dict[Key, Path] = {}
    made: dict[Key, str] = {}
    for file in sorted(folder.glob("*.html")):
        try:
            filed = read_filed(file)
        except InputError:
            continue  # another page
        asked = filed.question
        key = (asked.engine, asked.baseline, asked.candidate)
        if filed.as_of.isoformat() >= made.get(key, ""):
            found[key], made[key] = file, filed.as_of.isoformat()
    return found


def _row(at: int, study: Study, scale: float, links: Mapping[Key, str]) -> StudyRow:
    found = study.finding
    symbol, words = ("", "not judged") if found is None else sentences.BADGES[found.verdict]
    return StudyRow(
        candidate=study.candidate,
        baseline=study.baseline,
        engine=study.engine,
        verdict="undecided" if found is None else found.verdict,
        symbol=symbol,
        words=words,
        effect="" if found is None else effect_text(found.overall),
        effect_pct=None if found is None else found.overall.effect_pct,
        interval="" if found is None else _interval(found),
        pulls="" if found is None else sentences.evidence(found),
        speeds="" if found is None else f"{found.band[0]:,.0f} to {found.band[1]:,.0f} rpm",
        kind=study.kind or "",
        origin=ORIGINS[study.origin],
        when="" if study.when is None else study.when.date().isoformat(),
        why=study.why,
        link=links.get((study.engine, study.baseline, study.candidate), ""),
        picture=Markup() if found is None else draw_static(spark_chart(found, scale), f"s{at}"),
        said="" if found is None else sentences.alternative(found),
    )


def _interval(found: Comparison) -> str:
    bounds = interval_text(found.overall.low_pct, found.overall.high_pct)
    return f"{bounds} ({sentences.level(found)})"
