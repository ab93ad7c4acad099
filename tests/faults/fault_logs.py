"""Small logs for the fault tests."""

from __future__ import annotations

import math
from pathlib import Path

LOGS = 60
# Of each ten, one that ends early: an ingest holds it against its session when all is stored.
SESSION = 10
CUT_SHORT = 7


def write_logs(folder: Path, count: int, *, rows: int = 60) -> None:
    """Write logs of one rising pull each, and a sheet that names them all."""
    sheet = ["file,engine,session,setup,order"]
    for number in range(count):
        name = f"run{number:03d}.csv"
        lines = ["time [s],engine_speed [rpm],torque [N.m],gubbins"]
        for i in range(rows // 2 if number % SESSION == CUT_SHORT else rows):
            torque = 300.0 + number / 10 + 8 * math.sin(i / 9)
            lines.append(f"{i / 20:.2f},{2000 + 60 * i},{torque:.4f},{math.cos(i):.6f}")
        (folder / name).write_text("\n".join(lines) + "\n")
        session, setup, order = number // SESSION, "ab"[number % 2], number % SESSION + 1
        sheet.append(f"{name},mule,s{session},{setup},{order}")
    (folder / "sheet.csv").write_text("\n".join(sheet) + "\n")
