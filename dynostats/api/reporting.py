"""Findings as files."""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.api.mining import Mining
from dynostats.api.opened import AnyPath
from dynostats.errors import AnalysisError

if TYPE_CHECKING:
    from dynostats.analysis.envelope import Envelope
    from dynostats.analysis.monitor import Monitoring
    from dynostats.analysis.study_list import StudyList
    from dynostats.analysis.synthesis import History
    from dynostats.api.attribution import Explanation
    from dynostats.report import Provenance, Shop
    from dynostats.report.reproduction import Reproduction
    from dynostats.units import System


class Reporting(Mining):
    """Reports, pages and charts."""

    def report(
        self,
        finding: Comparison,
        path: AnyPath,
        *others: AnyPath,
        shop: Shop | None = None,
        command: str = "",
        as_of: datetime | None = None,
        units: System = "si",
    ) -> Path:
        """Write a comparison as a self-contained HTML page, as a PDF, or as Markdown.

        Args:
            finding: The comparison.
            path: The file; it ends in .html, .pdf or .md.
            *others: The same in other forms.
            shop: The shop's own name, logo and remarks.
            command: The command line that makes the page again.
            as_of: The past time that the comparison was asked at; None for now.
            units: Units the page opens in, "si" or "us"; it can switch by itself.

        Raises:
            InputError: If a file's name ends otherwise, or it cannot be written.
        """
        from dynostats import __version__
        from dynostats.report import Provenance, form_of, write_report

        paths = [Path(one) for one in (path, *others)]
        for one in paths:
            form_of(one)

        with self._reading() as store:
            pulls = store.pulls()
        hashes = pulls.select("file", "sha256").unique().sort("sha256")
        in_study = pulls.filter(pl.col("pull").is_in(finding.pull_table["pull"].to_list()))
        provenance = Provenance(
            version=__version__,
            command=command,
            warehouse=self.path.name,
            warehouse_hash=sha256("\n".join(hashes["sha256"]).encode()).hexdigest(),
            created=datetime.now(UTC).isoformat(timespec="milliseconds"),
            as_of="" if as_of is None else as_of.astimezone(UTC).isoformat(),
            sources=tuple(in_study.select("file", "sha256").unique().sort("file").rows()),
        )
        split, refused = self._split_of(finding, as_of)
        for one in paths:
            write_report(
                finding,
                one,
                split=split,
                refused=refused,
                shop=shop,
                provenance=provenance,
                units=units,
            )
        return paths[0]

    def charts(
        self, finding: Comparison, folder: AnyPath, *, as_of: datetime | None = None
    ) -> list[Path]:
        """Write every chart of a comparison's report as SVG and PNG, and return the files.

        Args:
            finding: The comparison.
            folder: Where they go; made if missing.
            as_of: The past time that the comparison was asked at; None for now.

        Raises:
            InputError: If a file cannot be written.
        """
        from dynostats.report import write_chart_files

        split, _ = self._split_of(finding, as_of)
        return write_chart_files(finding, Path(folder), split=split)

    def _split_of(
        self, finding: Comparison, as_of: datetime | None
    ) -> tuple[Explanation | None, str]:
        """Return why a comparison came out as it did, or why that cannot be told."""
        try:
            split = self.attribute(
                baseline=finding.baseline,
                candidate=finding.candidate,
                engine=finding.engine,
                band=finding.band,
                alpha=finding.alpha,
                as_of=as_of,
            )
        except AnalysisError as error:
            return None, f"The difference cannot be split by cause: {error.what}. {error.mend}"
        return split, ""

    def reproduce(self, report: AnyPath) -> Reproduction:
        """Ask the question of a report again, of the warehouse as it stood when it was made.

        Args:
            report: An HTML file that `report` wrote.

        Raises:
            InputError: If the file is no such report.
            WarehouseError: If the warehouse does not hold its setups.
            AnalysisError: If the pulls no longer answer its question.
        """
        from dynostats.api.reproducing import reproduce

        return reproduce(self, Path(report))

    def report_envelope(self, finding: Envelope, path: AnyPath, *, command: str = "") -> Path:
        """Write an envelope check as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.envelope import write_envelope

        return write_envelope(finding, Path(path), provenance=self._provenance(command))

    def report_monitoring(self, finding: Monitoring, path: AnyPath, *, command: str = "") -> Path:
        """Write a monitoring of the cell as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.monitor import write_monitoring

        return write_monitoring(finding, Path(path), provenance=self._provenance(command))

    def report_history(self, finding: History, path: AnyPath, *, command: str = "") -> Path:
        """Write all past studies as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.history import write_history

        return write_history(finding, Path(path), provenance=self._provenance(command))

    def report_studies(
        self,
        found: StudyList,
        path: AnyPath,
        *,
        each: AnyPath | None = None,
        shop: Shop | None = None,
        command: str = "",
    ) -> Path:
        """Write all studies as one page with a search, linked to the reports there are.

        Args:
            found: The studies.
            path: The HTML file.
            each: A folder for a report of each study, written now; None to link those that lie
                beside the page already.
            shop: What the shop adds.
            command: The command line that makes the page again.

        Raises:
            InputError: If a file cannot be written.
        """
        from dynostats.api.studies import command_of, report_name
        from dynostats.report.studies import find_reports, write_studies

        if each is not None:
            for number, one in enumerate(found.studies, start=1):
                if one.finding is not None:
                    file = Path(each) / report_name(one, number)
                    self.report(one.finding, file, shop=shop, command=command_of(one.finding))
        folder = Path(path).parent if each is None else Path(each)
        return write_studies(
            found,
            Path(path),
            reports=find_reports(folder),
            shop=shop,
            provenance=self._provenance(command),
        )

    def _provenance(self, command: str) -> Provenance:
        """Return where a page comes from: this program, this warehouse as it stands."""
        from dynostats import __version__
        from dynostats.report import Provenance

        with self._reading() as store:
            hashes = sorted(set(store.pulls()["sha256"].to_list()))
        return Provenance(
            version=__version__,
            command=command,
            warehouse=self.path.name,
            warehouse_hash=sha256("\n".join(hashes).encode()).hexdigest(),
            created=datetime.now(UTC).isoformat(timespec="seconds"),
        )
