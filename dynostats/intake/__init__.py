"""Files and a sheet into the warehouse: the only place where reading, curves and store meet."""

from __future__ import annotations

from dynostats.intake.again import reingest
from dynostats.intake.report import IngestReport, Progress, Refused, Skipped, Stored
from dynostats.intake.run import ingest

__all__ = ["IngestReport", "Progress", "Refused", "Skipped", "Stored", "ingest", "reingest"]
