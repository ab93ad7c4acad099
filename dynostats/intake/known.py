"""Files whose bytes are stored already: nothing to do, or a conflict of labels."""

from __future__ import annotations

from collections.abc import Sequence

from dynostats.errors import InputError
from dynostats.ingest import SheetRow
from dynostats.warehouse import LabelValue, StoredLabels, label_text


def why_skipped(file: str, rows: Sequence[SheetRow], stored: Sequence[StoredLabels]) -> str:
    """Return why a file whose bytes are stored needs nothing done.

    Args:
        file: What to call the file.
        rows: Its rows of the sheet.
        stored: The pulls that came from the same bytes, in file order.

    Raises:
        InputError: If the sheet now says something else than the warehouse ever did.
    """
    names = ", ".join(pull.pull for pull in stored)
    described = list(zip(rows, stored, strict=False)) if len(rows) == len(stored) else []
    if len(rows) == 1:
        described = [(rows[0], stored[0])]
    conflicts = [
        f"{field} is {_shown(new)} in the sheet (line {row.line}) and {_shown(now)} in {pull.pull}"
        for row, pull in described
        for field, new, now in _differences(row, pull)
    ]
    if conflicts:
        raise InputError(
            f"the same bytes are stored as {names} under another label: {'; '.join(conflicts)}",
            where=file,
            mend="If the sheet is right, correct what is stored: `dynostats amend "
            f"{stored[0].pull} FIELD=VALUE --why TEXT`. If not, correct the sheet.",
        )
    return f"the same bytes are stored already as {names}"


def _differences(row: SheetRow, pull: StoredLabels) -> list[tuple[str, LabelValue, LabelValue]]:
    """Return field, the sheet's value and the warehouse's, where the sheet says something new.

    What the warehouse held before an amendment is not new: a sheet that was never corrected
    along with the warehouse is no conflict.
    """
    said: dict[str, LabelValue] = {
        "engine": row.engine,
        "dyno": row.dyno or None,
        "session": row.session,
        "setup": row.setup,
        "order": row.order,
        "started": row.started,
        "ambient_pressure": row.ambient.pressure_kpa,
        "ambient_temperature": row.ambient.temperature_c,
        "relative_humidity": row.ambient.humidity_pct,
    }
    return [
        (field, new, pull.now[field])
        for field, new in said.items()
        if new is not None and label_text(new) not in pull.ever[field]
    ]


def _shown(value: LabelValue) -> str:
    return "empty" if value is None else f"'{label_text(value)}'"
