"""A plan as paper for the cell: a page to print, and a CSV that `ingest` takes as its sheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from dynostats.analysis.planning.plan import Plan
from dynostats.analysis.planning.run_sheet import Names, PlannedPull
from dynostats.errors import InputError
from dynostats.report.plain_page import PAGES

HEADER = (
    *("file", "engine", "dyno", "session", "setup", "order", "started"),
    *("ambient_pressure [kPa]", "ambient_temperature [degC]", "relative_humidity [%]", "notes"),
)


def render_run_sheet(plan: Plan, names: Names, rows: Sequence[PlannedPull]) -> str:
    """Return the run sheet as an HTML page to print and fill in by hand."""
    sessions = list(dict.fromkeys(row.session for row in rows))
    return PAGES.get_template("run_sheet.html.j2").render(
        plan=plan,
        names=names,
        sessions=[(name, [row for row in rows if row.session == name]) for name in sessions],
        total=sum(row.order is not None for row in rows),
    )


def run_sheet_csv(names: Names, rows: Sequence[PlannedPull]) -> str:
    """Return the run sheet as CSV, with empty cells for what is read at the cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for row in rows:
        labels = (row.file, names.engine, names.dyno, row.session, row.setup)
        order = "" if row.order is None else str(row.order)
        writer.writerow((*labels, order, "", "", "", "", row.note))
    return out.getvalue()


def write_run_sheet(plan: Plan, names: Names, rows: Sequence[PlannedPull], path: Path) -> Path:
    """Write the run sheet as CSV if the file is called so, else as HTML.

    Raises:
        InputError: The file cannot be written.
    """
    is_csv = path.suffix.lower() == ".csv"
    text = run_sheet_csv(names, rows) if is_csv else render_run_sheet(plan, names, rows)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"the run sheet cannot be written ({error.strerror})",
            where=str(path),
            mend="Choose a folder you may write to.",
        ) from error
    return path
