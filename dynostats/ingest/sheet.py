"""The shop's sheet: one row a pull."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

from dynostats.ingest.log import Ambient, SheetRow

_OWN = {"file", "engine", "dyno", "session", "setup", "order", "started", "notes"}
_AIR = {
    "ambient_pressure [kPa]",
    "ambient_temperature [degC]",
    "relative_humidity [%]",
}


def read_sheet(path: Path) -> tuple[SheetRow, ...]:
    """Read the sheet, one row a pull."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    return tuple(_read_row(row, line=line) for line, row in enumerate(rows, start=2))


def _read_row(row: dict[str, str], *, line: int) -> SheetRow:
    return SheetRow(
        file=row["file"],
        engine=row["engine"],
        dyno=row.get("dyno", ""),
        session=row["session"],
        setup=row["setup"],
        order=int(row["order"]) if row.get("order") else None,
        started=datetime.fromisoformat(row["started"]) if row.get("started") else None,
        ambient=Ambient(
            pressure_kpa=_number(row.get("ambient_pressure [kPa]")),
            temperature_c=_number(row.get("ambient_temperature [degC]")),
            humidity_pct=_number(row.get("relative_humidity [%]")),
        ),
        notes=row.get("notes", ""),
        attributes={key: value for key, value in row.items() if key not in _OWN | _AIR},
        line=line,
    )


def _number(text: str | None) -> float | None:
    return float(text) if text else None
