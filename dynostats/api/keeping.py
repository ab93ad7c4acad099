"""What goes into the warehouse, stands in it, and comes out of it as it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import polars as pl

from dynostats.api.opened import AnyPath, Opened, name_of
from dynostats.api.results import Amended, PullList, QueryAnswer
from dynostats.errors import InputError
from dynostats.warehouse import (
    ArrowRows,
    Verification,
    backup,
    export,
    export_lake,
    restore,
    rows_asked,
    scan,
    verify,
)
from dynostats.warehouse.named import Value
from dynostats.warehouse.schema import program

if TYPE_CHECKING:
    from dynostats.api.monitor import EventList
    from dynostats.intake import IngestReport, Progress


class Keeping(Opened):
    """Storing, correcting, asking and copying."""

    def ingest(
        self,
        *paths: AnyPath,
        sheet: AnyPath | None = None,
        channels: AnyPath | None = None,
        progress: Callable[[Progress], None] | None = None,
    ) -> IngestReport:
        """Store files and folders; what is stored already is skipped.

        Args:
            *paths: Log files, or folders with them.
            sheet: The sheet with one row a pull; None to use the one beside the files.
            channels: A TOML file with the shop's own channel names.
            progress: Told after each batch how far it is.

        Raises:
            DynostatsError: If the sheet or the warehouse cannot be used. A file that cannot be
                taken raises nothing: it stands in the report as refused.
        """
        from dynostats.api.cut_short import exclude_cut_short
        from dynostats.intake import ingest

        return ingest(
            [Path(path) for path in paths],
            warehouse=self.path,
            sheet=None if sheet is None else Path(sheet),
            channels=None if channels is None else Path(channels),
            progress=progress,
            judge=partial(exclude_cut_short, who=program()),
        )

    def reingest(
        self,
        *pulls: str,
        channels: AnyPath | None = None,
        who: str | None = None,
        progress: Callable[[Progress], None] | None = None,
    ) -> IngestReport:
        """Read the stored bytes of pulls again; names, labels, state and history stay.

        Args:
            *pulls: Names of the pulls; none for all.
            channels: A TOML file with the shop's own channel names.
            who: Who asks for it, for the history.
            progress: Told after every file.

        Raises:
            WarehouseError: If there is no such pull.
        """
        from dynostats.intake import reingest

        return reingest(
            pulls or None,
            warehouse=self.path,
            who=name_of(who),
            channels=None if channels is None else Path(channels),
            progress=progress,
        )

    def pulls(
        self,
        *,
        engine: str | None = None,
        dyno: str | None = None,
        session: str | None = None,
        setup: str | None = None,
        as_of: datetime | None = None,
    ) -> PullList:
        """List what is stored, or was at a past time.

        Args:
            engine: Only this engine.
            dyno: Only this dyno.
            session: Only this session.
            setup: Only this setup.
            as_of: A past time; None for now.

        Returns:
            One row a pull: its labels, state (accepted or excluded, and why), and the engine
            speeds it covers, 1/min. A name that is not stored gives no rows.

        Raises:
            WarehouseError: There is no warehouse, or another program holds it.
        """
        with self._reading() as store:
            frame = store.pulls(engine=engine, dyno=dyno, session=session, setup=setup, as_of=as_of)
        return PullList(frame=frame)

    def exclude(self, pull: str, *, why: str, who: str | None = None) -> Amended:
        """Leave a pull out of the analyses; it stays stored, with the reason.

        Args:
            pull: The pull, e.g. "P2".
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, or no reason.
        """
        with self._writing() as store:
            return Amended(pull=pull, correction=store.exclude(pull, why=why, who=name_of(who)))

    def include(self, pull: str, *, why: str, who: str | None = None) -> Amended:
        """Take an excluded pull back.

        Args:
            pull: The pull, e.g. "P2".
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, no reason, or it is not excluded.
        """
        with self._writing() as store:
            return Amended(pull=pull, correction=store.include(pull, why=why, who=name_of(who)))

    def amend(
        self, pull: str, field: str, value: str, *, why: str, who: str | None = None
    ) -> Amended:
        """Correct what the paperwork said of a pull; what it said before stays in the history.

        Args:
            pull: The pull, e.g. "P2".
            field: What is corrected: a column of the sheet, e.g. "session".
            value: What it should say, as a sheet would write it.
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, the value does not fit, or is there already.
        """
        with self._writing() as store:
            correction = store.amend(pull, field, value, why=why, who=name_of(who))
        return Amended(pull=pull, correction=correction)

    def event(
        self,
        kind: str,
        what: str,
        *,
        at: datetime | None = None,
        dyno: str | None = None,
        who: str | None = None,
    ) -> str:
        """Log something done to a cell; it is never overwritten.

        Args:
            kind: "calibration", "service", "repair" or "other".
            what: What was done.
            at: When, local time of the shop; None for now.
            dyno: The dyno; None when there is only one.
            who: Who says so; None for the login name.

        Returns:
            The name of the entry, such as E1.

        Raises:
            WarehouseError: The kind or the dyno is not known, or it does not say what was done.
            AnalysisError: Several dynos are stored and none is named.
        """
        from dynostats.api.monitor import dyno_of_event, local_now
        from dynostats.warehouse import NewEvent

        with self._writing() as store:
            return store.log_event(
                NewEvent(
                    dyno=dyno_of_event(store, dyno),
                    kind=kind,
                    happened_at=at or local_now(),
                    what=what,
                    who=name_of(who),
                )
            )

    def withdraw_event(self, event: str, *, why: str, who: str | None = None) -> str:
        """Take a wrong entry back; both stay in the log.

        Raises:
            WarehouseError: There is no such event, it is taken back already, or no reason.
        """
        with self._writing() as store:
            return store.withdraw_event(event, why=why, who=name_of(who))

    def events(self, *, dyno: str | None = None) -> EventList:
        """List what was done to the cells, by date."""
        from dynostats.api.monitor import EventList

        with self._reading() as store:
            return EventList(frame=store.events(dyno))

    def query(self, text: str, **values: Value) -> QueryAnswer:
        """Answer a named query, or the user's own SQL, which can only read.

        Args:
            text: Name of a query (one word), or one select statement.
            **values: Its parameters, written $name in the SQL.

        Raises:
            InputError: If there is no such query, or it would do anything but read.
        """
        with self._reading() as store:
            return QueryAnswer(frame=store.query(text, values))

    def query_to(self, out: AnyPath, text: str, values: Mapping[str, Value]) -> Path:
        """Answer likewise into a file, however large the result.

        Args:
            out: The file; it ends in .parquet, .csv or .ndjson.
            text: As in `query`.
            values: The parameters by name.

        Raises:
            InputError: As in `query`, or the file's name ends otherwise.
        """
        with self._reading() as store:
            store.query_to(Path(out), text, values)
        return Path(out)

    def scan(self, name: str, **values: Value) -> pl.LazyFrame:
        """Return a table or a named query as a lazy polars frame.

        Columns and filters of its plan are pushed into the warehouse: what is not asked for is not
        read. The file is opened when the frame is collected, and only for that long. Needs pyarrow
        (`pip install 'dynostats[arrow]'`).

        Args:
            name: "pulls", "curves" or "samples" (each with the labels of its pulls), or a query.
            **values: The query's parameters.

        Raises:
            InputError: There is nothing of that name, or pyarrow is not installed.
            WarehouseError: There is no warehouse, or another program holds it.

        Example:
            wh.scan("curves").filter(pl.col("setup") == "standard").select("rpm", "torque")
        """
        return scan(self.path, rows_asked(name, values))

    def arrow(
        self, name: str, *, columns: Sequence[str] | None = None, **values: Value
    ) -> ArrowRows:
        """Return a table or a named query for anything that reads Arrow streams.

        Args:
            name: As in `scan`.
            columns: Columns wanted; None for all.
            **values: The query's parameters.

        Raises:
            InputError: There is nothing of that name.
        """
        wanted = None if columns is None else tuple(columns)
        return ArrowRows(path=self.path, asked=rows_asked(name, values), columns=wanted)

    def verify(self) -> Verification:
        """Check that everything stored is whole, and say what is not.

        Raises:
            WarehouseError: If there is no warehouse, or another program holds it.
        """
        return verify(self.path)

    def backup(self, file: AnyPath) -> Path:
        """Copy the warehouse to a new file, consistently.

        Raises:
            InputError: If a file of that name exists.
            WarehouseError: If the copy cannot be written.
        """
        backup(self.path, Path(file))
        return Path(file)

    def export(self, folder: AnyPath, *, layout: Literal["tables", "lake"] = "tables") -> Path:
        """Write everything as open files into a new or empty folder.

        Args:
            folder: The folder.
            layout: "tables" for one file a table, and the original files; "lake" for pulls and
                curves as partitioned Parquet, into a folder that may hold those of other
                warehouses already (`dynostats.open_lake` reads it).

        Raises:
            InputError: If the folder holds anything else, or this warehouse already.
            WarehouseError: If the files cannot be written.
        """
        write = {"tables": export, "lake": export_lake}.get(layout)
        if write is None:
            raise InputError(f"the layout is '{layout}'; it must be tables or lake", where="layout")
        write(self.path, Path(folder))
        return Path(folder)

    def restore(self, folder: AnyPath) -> Path:
        """Make the warehouse, which must not exist, of an export.

        Raises:
            InputError: If the file exists, or the folder is not a whole export.
        """
        restore(Path(folder), self.path)
        return self.path
