"""A report made again: its question asked of the warehouse as it stood when it was made."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from dynostats.report.pictures import json_for_html
from dynostats.report.reproduction import Reproduction, count_numbers, hold_against, read_filed

if TYPE_CHECKING:
    from dynostats.api.judging import Judging


def reproduce(warehouse: Judging, report: Path) -> Reproduction:
    """Ask a report's question again and hold every value against it.

    Args:
        warehouse: The warehouse it was made from, or a copy.
        report: The HTML file.

    Raises:
        InputError: The file is no such report.
        WarehouseError: The warehouse does not hold its setups.
        AnalysisError: The pulls no longer answer its question.
    """
    from dynostats import __version__

    filed = read_filed(report)
    asked = filed.question
    found = warehouse.compare(
        engine=asked.engine,
        baseline=asked.baseline,
        candidate=asked.candidate,
        quantity=asked.quantity,
        margin=asked.margin_pct,
        band=asked.band,
        correction=asked.correction,
        alpha=asked.alpha,
        as_of=filed.as_of,
    )
    now = json.loads(json_for_html(found.to_dict()))
    numbers, texts = count_numbers(filed.result)
    held = set(warehouse.pulls().frame["sha256"].to_list())
    return Reproduction(
        report=report.name,
        as_of=filed.as_of,
        made_with=filed.version,
        run_with=__version__,
        numbers=numbers,
        texts=texts,
        differences=tuple(hold_against(filed.result, now)),
        missing=tuple(file for file, sha256 in filed.sources if sha256 not in held),
    )
