"""Every study of a warehouse: declared, named on the sheet, or possible since its setups met."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

from dynostats.analysis.study_list import Origin, Study, StudyList
from dynostats.api.declared import read_declaration
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store
from dynostats.words import command_line

if TYPE_CHECKING:
    from dynostats.analysis.comparison import Comparison

Key = tuple[str, str, str]
Compare = Callable[[Mapping[str, object]], "Comparison"]


def gather_studies(
    store: Store,
    compare: Compare,
    *,
    engine: str | None,
    settings: Mapping[str, object],
    progress: Callable[[int, int], None] | None,
) -> StudyList:
    """Judge every study by itself, the latest first.

    A declared question is asked as it was declared, any other one with the settings given.

    Args:
        store: The open warehouse.
        compare: Answers one question, given the arguments of `Warehouse.compare`.
        engine: Only this engine.
        settings: Margin, correction and alpha of what was not declared.
        progress: Told after each study how many of how many are done.

    Raises:
        AnalysisError: No study is stored in that scope.
    """
    rows = list(_studies(store, engine))
    if not rows:
        raise AnalysisError(
            "no two setups of an engine can be compared: none met in a session, and no sheet says "
            "which setup was changed from which",
            where=str(store.path),
            mend="Pull both setups in one session, or fill in the column `relative_to`.",
        )
    studies: list[Study] = []
    for at, (row, question) in enumerate(rows, start=1):
        studies.append(_judge(compare, row, {**settings, **question}))
        if progress is not None:
            progress(at, len(rows))
    return StudyList(studies=tuple(sorted(studies, key=_age)))


def _studies(
    store: Store, engine: str | None
) -> Iterator[tuple[Mapping[str, object], Mapping[str, object]]]:
    """Yield each study's row and what is asked of it, those that somebody meant before others."""
    seen: set[Key] = set()
    for name in ("past_studies", "met_setups"):
        for row in store.query(name, {"engine": engine}).iter_rows(named=True):
            key = cast("Key", tuple(row[part] for part in ("engine", "baseline", "candidate")))
            turned = (key[0], key[2], key[1])
            if key in seen or (name == "met_setups" and turned in seen):
                continue
            seen.add(key)
            yield row, _asked(store, row)


def _asked(store: Store, row: Mapping[str, object]) -> Mapping[str, object]:
    number = row.get("declaration_no")
    if number is None:
        return {}
    declared = read_declaration(store, int(str(number)))
    return {
        "quantity": declared.quantity,
        "band": declared.band,
        "correction": declared.correction,
        "margin": declared.margin_pct,
        "alpha": declared.alpha,
    }


def _judge(compare: Compare, row: Mapping[str, object], settings: Mapping[str, object]) -> Study:
    names = {part: str(row[part]) for part in ("engine", "baseline", "candidate")}
    finding, why = None, ""
    try:
        finding = compare({**settings, **names})
    except AnalysisError as error:
        why = error.headline()
    return Study(
        **names,
        origin=_origin(row),
        kind=cast("str | None", row.get("kind")),
        changed=cast("str | None", row.get("changed")),
        when=cast("datetime | None", row["last_started"]),
        finding=finding,
        why=why,
    )


def _origin(row: Mapping[str, object]) -> Origin:
    if "declaration_no" not in row:
        return "met"
    return "named" if row["declaration_no"] is None else "declared"


def _age(study: Study) -> tuple[bool, float, str, str, str]:
    age = 0.0 if study.when is None else -study.when.timestamp()
    return study.when is None, age, study.engine, study.baseline, study.candidate


def command_of(finding: Comparison) -> str:
    """Return the command line that asks the question of a comparison again."""
    given = {
        "baseline": finding.baseline,
        "candidate": finding.candidate,
        "engine": finding.engine,
        "quantity": finding.quantity,
        "margin": finding.margin_pct,
        "band": finding.band,
        "correction": finding.correction,
        "alpha": finding.alpha,
    }
    return command_line("compare", given)


def report_name(study: Study, number: int) -> Path:
    """Return the name of a study's report file: letters, digits and dashes, whatever its setups.

    Args:
        study: The study.
        number: Keeps names apart that would be the same.
    """
    words = (study.engine, study.candidate, "against", study.baseline)
    plain = "_".join("".join(c if c.isascii() and c.isalnum() else "-" for c in w) for w in words)
    return Path(f"{number:03d}_{plain[:80]}.html")
