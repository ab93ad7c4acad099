"""The view-model: a result turned into what the templates print."""

from __future__ import annotations

from dynostats.report.view.method import Provenance
from dynostats.report.view.page import View, build_view

__all__ = ["Provenance", "View", "build_view"]
