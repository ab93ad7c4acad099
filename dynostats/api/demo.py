"""The main job on a simulated shop whose truth is known: files, warehouse, answer, report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import polars as pl

from dynostats.api.results import Finding
from dynostats.api.warehouse import Warehouse, open_warehouse
from dynostats.errors import InputError
from dynostats.intake import IngestReport, Progress
from dynostats.report import Shop
from dynostats.simulate import Truth, demo_shop, write_demo
from dynostats.simulate.scenario import Question
from dynostats.words import as_paragraphs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demo:
    """What the demo made, and what is true.

    Args:
        folder: Where everything lies.
        files: The folder with the logs and their sheet.
        warehouse: The warehouse file.
        report: The HTML report.
        shop: Name of the invented shop.
        ingested: What became of each file.
        finding: The answer of the shop's study.
        truth: What the simulator knows to be true of it.
        other_questions: What else the shop wanted to know.
    """

    folder: Path
    files: Path
    warehouse: Path
    report: Path
    shop: str
    ingested: IngestReport
    finding: Finding
    truth: Truth
    other_questions: tuple[Question, ...]

    def true_effect_pct(self) -> float:
        """Return the true mean effect over the band that was compared, percent."""
        low, high = self.finding.band
        inside = self.truth.curve.filter(pl.col("rpm").is_between(low, high))
        return float(inside["effect_pct"].to_numpy().mean())

    def holds_truth(self) -> bool:
        """Say whether the true mean effect lies inside the stated interval."""
        low, high = self.finding.overall.low_pct, self.finding.overall.high_pct
        return low is not None and high is not None and low <= self.true_effect_pct() <= high

    def _repr_html_(self) -> str:
        return as_paragraphs(
            [
                (
                    f"{self.shop}, a simulated shop in {self.folder}: the true effect is "
                    f"{self.true_effect_pct():+.2f}%, and the answer "
                    f"{'holds' if self.holds_truth() else 'misses'} it. Report: {self.report}"
                )
            ]
        )

    def to_dict(self) -> dict[str, object]:
        """Return everything as plain values."""
        return {
            "folder": str(self.folder),
            "files": str(self.files),
            "warehouse": str(self.warehouse),
            "report": str(self.report),
            "shop": self.shop,
            "ingest": self.ingested.to_dict(),
            "compare": self.finding.to_dict(),
            "truth": {
                "effect_pct": self.true_effect_pct(),
                "inside_interval": self.holds_truth(),
                "curve": self.truth.curve.to_dicts(),
            },
        }


def demo(folder: Path, *, progress: Callable[[Progress], None] | None = None) -> Demo:
    """Simulate a shop, store its files, answer its study and write the report; safe to repeat.

    Args:
        folder: Where everything goes; made if missing.
        progress: Told how far the ingest is.

    Raises:
        InputError: If the folder holds the demo of another version, or cannot be written.
    """
    shop = demo_shop()
    files = folder / "pulls"
    written = write_demo(shop, files)
    with open_warehouse(folder / "dynostats.duckdb") as warehouse:
        _refuse_another_demo(warehouse, written)
        ingested = warehouse.ingest(files, sheet=files / "sheet.csv", progress=progress)
        question = shop.questions[0]
        finding = warehouse.compare(baseline=question.baseline, candidate=question.candidate)
        report = warehouse.report(
            finding,
            folder / "report.html",
            shop=Shop(name=f"{shop.name} (an invented shop)"),
            command=f"dynostats --warehouse {warehouse.path.name} compare "
            f"--baseline {question.baseline} --candidate {question.candidate} "
            "--report report.html",
        )
    return Demo(
        folder=folder,
        files=files,
        warehouse=warehouse.path,
        report=report,
        shop=shop.name,
        ingested=ingested,
        finding=finding,
        truth=shop.truths[0],
        other_questions=shop.questions[1:],
    )


def _refuse_another_demo(warehouse: Warehouse, written: Sequence[Path]) -> None:
    """Refuse a folder whose warehouse holds the demo of another version: its pulls would mix."""
    if not warehouse.path.exists():
        return
    stored = dict(warehouse.pulls().frame.select("file", "sha256").iter_rows())
    for path in written:
        if stored.get(path.name, "") not in {"", sha256(path.read_bytes()).hexdigest()}:
            raise InputError(
                "the warehouse here was made by the demo of another version",
                where=str(warehouse.path),
                mend="Name another folder with --out, or delete this one.",
            )
