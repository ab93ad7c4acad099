"""The open warehouse: what can be put into it, corrected in it, and read out of it."""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import duckdb
import polars as pl

from dynostats.errors import WarehouseError
from dynostats.warehouse import amending
from dynostats.warehouse.amending import Correction, pull_number
from dynostats.warehouse.asking import answer, question, write_answer
from dynostats.warehouse.bulk import read_curves, read_numbered
from dynostats.warehouse.connection import connect, errors_in_words, rows_of, say_on_stderr
from dynostats.warehouse.declaring import declare, note_look
from dynostats.warehouse.events import NewEvent, withdraw_event, write_event
from dynostats.warehouse.named import NamedQuery, Value, named_query
from dynostats.warehouse.records import NewPull, StoredLabels, label_text
from dynostats.warehouse.schema import create_warehouse, require_current
from dynostats.warehouse.sums import RowSums, is_number, sum_rows
from dynostats.warehouse.wide import channels_of
from dynostats.warehouse.writing import replace_data, write_pulls
from dynostats.words import did_you_mean


def open_store(
    path: Path,
    *,
    write: bool = False,
    create: bool = True,
    wait_s: float = 10.0,
    say: Callable[[str], None] = say_on_stderr,
    as_of: datetime | None = None,
) -> Store:
    """Open a warehouse; use it as a context manager, or close it.

    Args:
        path: The warehouse file.
        write: Open for writing. Writing upgrades an older file after copying it beside itself;
            reading does not.
        create: Make the file when there is none; only when writing.
        wait_s: How long to wait for another program that uses the file, in seconds.
        say: Told in a sentence when waiting begins.
        as_of: Read it as it stood at that past time (without zone: local time): labels, states,
            attributes, events, declared questions and looks. Curves are always those stored now.

    Raises:
        WarehouseError: If there is none to read, it is in use, damaged, newer than this program,
            or older and open for reading only.
    """
    if not path.exists():
        if not (write and create):
            raise no_warehouse(path)
        create_warehouse(path)
    connection = connect(path, write=write, wait_s=wait_s, say=say)
    try:
        with errors_in_words(path):
            connection = require_current(connection, path, write=write)
            return Store(path, connection, write=write, as_of=as_of)
    except WarehouseError:
        connection.close()
        raise


def _utc(moment: datetime | None) -> datetime | None:
    """Return a moment as the warehouse writes it: UTC, without zone."""
    return None if moment is None else moment.astimezone(UTC).replace(tzinfo=None)


def no_warehouse(path: Path) -> WarehouseError:
    """Return the error for a warehouse that is not there."""
    return WarehouseError(
        "there is no warehouse here",
        where=str(path),
        mend="`dynostats ingest FILES` makes one; --warehouse names another.",
    )


class Store:
    """An open warehouse. Made by `open_store`."""

    def __init__(
        self,
        path: Path,
        connection: duckdb.DuckDBPyConnection,
        *,
        write: bool,
        as_of: datetime | None = None,
    ) -> None:
        """Keep the connection; the columns of the wide tables are asked for once."""
        self.path = path
        self._as_of = _utc(as_of)
        self.writable = write
        self._connection = connection
        self._channels = channels_of(connection)

    def __enter__(self) -> Self:
        """Return the store."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of the file."""
        self.close()

    def close(self) -> None:
        """Let go of the file; everything committed is on disk."""
        self._connection.close()

    # Writing

    def add(self, pulls: Sequence[NewPull]) -> tuple[str, ...]:
        """Store a batch of pulls in one transaction: all of them or none.

        Returns:
            The names given to the pulls, in their order. They are never given again.

        Raises:
            WarehouseError: If the batch could not be stored; then nothing of it is.
        """
        with self._transaction():
            numbers = write_pulls(self._connection, pulls)
        return tuple(f"P{number}" for number in numbers)

    def replace_data(self, pulls: Mapping[str, NewPull], *, who: str) -> None:
        """Put what their files say now in the place of what pulls were read as before.

        Labels, state and history stay; the history says what read the file before and now.

        Args:
            pulls: The pulls as read again, by name. One transaction: all or none.
            who: Who asked for it.

        Raises:
            WarehouseError: If there is no such pull, or it could not be written.
        """
        numbers = self.require(list(pulls))
        with self._transaction():
            amending.note_reading(self._connection, list(pulls), who=who)
            replace_data(self._connection, list(pulls.values()), numbers)

    def importers(self, sha256: str) -> pl.DataFrame:
        """Return the pulls of a file, their ambient readings, and what read them."""
        return self._frame(named_query("store/importer_state"), {"sha256": sha256})

    def exclude(self, pull: str, *, why: str, who: str) -> Correction:
        """Leave a pull out of the analyses; it stays stored, and so does the reason.

        Raises:
            WarehouseError: If there is no such pull, or no reason.
        """
        with self._transaction():
            return amending.set_state(self._connection, pull, "excluded", why=why, who=who)

    def unjudged(self) -> tuple[str, ...]:
        """Return the pulls that were not yet held against the rest of their session."""
        with errors_in_words(self.path):
            return tuple(name for (name,) in rows_of(self._connection, "store/unjudged_pulls"))

    def note_judged(self, last: str, *, excluded: Mapping[str, str], who: str) -> None:
        """Note that pulls were held against the rest of their session, and leave some of them out.

        One transaction: what is noted as judged has its exclusions.

        Args:
            last: The last pull that was judged; so were all before it.
            excluded: Pulls to leave out, and why.
            who: Who judged.

        Raises:
            WarehouseError: If there is no such pull, or no reason.
        """
        with self._transaction():
            for pull, why in excluded.items():
                amending.set_state(self._connection, pull, "excluded", why=why, who=who)
            rows_of(self._connection, "store/note_judged", {"pull_no": pull_number(last)})

    def include(self, pull: str, *, why: str, who: str) -> Correction:
        """Take an excluded pull back into the analyses.

        Raises:
            WarehouseError: If there is no such pull, no reason, or it is not excluded.
        """
        with self._transaction():
            return amending.set_state(self._connection, pull, "accepted", why=why, who=who)

    def amend(self, pull: str, field: str, value: str, *, why: str, who: str) -> Correction:
        """Correct what the paperwork said of a pull.

        Args:
            pull: Name of the pull.
            field: engine, dyno, session, setup, order, started, ambient_pressure [kPa],
                ambient_temperature [degC], relative_humidity [%], notes, or an attribute.
            value: The new value; "" empties the field.
            why: The reason.
            who: Who says so.

        Raises:
            WarehouseError: If there is no such pull, the value does not fit, or is there already.
        """
        with self._transaction():
            return amending.set_field(self._connection, pull, field, value, why=why, who=who)

    def describe_setup(
        self,
        engine: str,
        setup: str,
        *,
        why: str,
        who: str,
        relative_to: str | None = None,
        changed: str | None = None,
    ) -> tuple[Correction, ...]:
        """Say what a setup was changed from, and how; what is None stays as it is.

        Raises:
            WarehouseError: If there is no such setup.
        """
        given = {"relative_to": relative_to, "changed": changed}
        changes = {field: value for field, value in given.items() if value is not None}
        with self._transaction():
            return amending.describe_setup(
                self._connection, engine, setup, changes, why=why, who=who
            )

    def log_event(self, event: NewEvent) -> str:
        """Append something done to a cell to its log, and return the name of the entry.

        Raises:
            WarehouseError: If its kind is not known, or it does not say what was done.
        """
        with self._transaction():
            return write_event(self._connection, event)

    def withdraw_event(self, event: str, *, why: str, who: str) -> str:
        """Take an entry of that log back; both stay in it.

        Raises:
            WarehouseError: If there is no such event, it is taken back already, or no reason.
        """
        with self._transaction():
            return withdraw_event(self._connection, event, why=why, who=who)

    def declare(self, question: Mapping[str, Value], pulls: Sequence[Mapping[str, Value]]) -> int:
        """Store a question before its pulls, with its run sheet; return its number.

        Args:
            question: Column to value, see queries/schema/004_declared_questions.sql.
            pulls: Rows of the run sheet, likewise.
        """
        with self._transaction():
            return declare(self._connection, question, pulls)

    def note_look(self, number: int, look: Mapping[str, Value]) -> None:
        """Store what a look at a declared study said.

        Raises:
            WarehouseError: If that look was taken before.
        """
        with self._transaction():
            note_look(self._connection, number, look)

    # Reading

    def events(self, dyno: str | None = None) -> pl.DataFrame:
        """Return what was done to the cells, by date, entries taken back included."""
        return self._frame(named_query("events"), {"dyno": dyno})

    def pulls(
        self,
        *,
        engine: str | None = None,
        dyno: str | None = None,
        session: str | None = None,
        setup: str | None = None,
        as_of: datetime | None = None,
    ) -> pl.DataFrame:
        """Return what is stored, one row a pull: labels, state and why, range, ambient.

        Args:
            engine: Only this engine; likewise dyno, session and setup.
            dyno: Only this dyno.
            session: Only this session.
            setup: Only this setup.
            as_of: The state at that past time (without zone: local time); None for the time the
                store is read at.
        """
        labels = {"engine": engine, "dyno": dyno, "session": session, "setup": setup}
        return self._frame(named_query("pulls"), labels | {"as_of": _utc(as_of)})

    def curves(
        self,
        pulls: Sequence[str] | None = None,
        *,
        channels: Sequence[str] = ("torque",),
        engine: str | None = None,
        dyno: str | None = None,
        session: str | None = None,
        setup: str | None = None,
        numbered: bool = False,
    ) -> pl.DataFrame:
        """Return curves, one row a pull and speed of the grid, ordered by both.

        Args:
            pulls: These pulls, whatever their state; None for every accepted pull.
            channels: Channels wanted; null where a pull does not have one.
            engine: Only pulls of this engine; likewise dyno, session and setup.
            dyno: Only pulls on this dyno.
            session: Only pulls of this session.
            setup: Only pulls of this setup.
            numbered: Give pull_no, its number as an integer, in the place of pull: a quarter of
                the time where many are read.

        Returns:
            Columns pull, rpm, then the channels.

        Raises:
            WarehouseError: If there is no such pull or channel.
        """
        known = self._channels["curves"]
        unknown = [name for name in channels if name not in known]
        if unknown:
            raise WarehouseError(
                f"there are no curves of {', '.join(unknown)}",
                mend=f"{did_you_mean(unknown[0], known)}Channels with curves: {', '.join(known)}.",
            )
        labels = {"engine": engine, "dyno": dyno, "session": session, "setup": setup}
        chosen = {**labels, "pull_nos": None if pulls is None else self.require(pulls)}
        numbers = self._frame(named_query("store/chosen_pulls"), chosen)["pull_no"]
        with errors_in_words(self.path):
            read = read_numbered if numbered else read_curves
            return read(self._connection, numbers, channels)

    def curve_channels(self) -> tuple[str, ...]:
        """Return the channels that curves have a column for."""
        return tuple(self._channels["curves"])

    def samples(self, pull: str) -> pl.DataFrame:
        """Return the samples of a pull in file order, every channel that its file had.

        Raises:
            WarehouseError: If there is no such pull.
        """
        (number,) = self.require([pull])
        columns = self.readings(pull).filter("stored")["channel"].to_list()
        known = self._frame(named_query("store/samples"), {"pull_no": number})
        others = self._frame(named_query("store/other_channels"), {"pull_no": number})
        extra = {
            channel: others["texts" if others["numbers"][row] is None else "numbers"][row]
            for row, channel in enumerate(others["channel"])
        }
        return pl.DataFrame(
            [extra[name].alias(name) if name in extra else known[name] for name in columns]
        )

    def readings(self, pull: str) -> pl.DataFrame:
        """Return what each column of the pull's file became, and how that was decided."""
        (number,) = self.require([pull])
        return self._frame(named_query("store/readings"), {"pull_no": number})

    def findings(self, pulls: Sequence[str] | None = None) -> pl.DataFrame:
        """Return what was noticed when the pulls were read: pull, check, severity, message.

        Args:
            pulls: These pulls; None for all.
        """
        numbers = None if pulls is None else self.require(pulls)
        return self._frame(named_query("store/findings"), {"pull_nos": numbers})

    def attributes(self, pull: str) -> pl.DataFrame:
        """Return what else the sheet and the file say of a pull: origin, name, value."""
        (number,) = self.require([pull])
        return self._frame(named_query("store/attributes"), {"pull_no": number})

    def amendments(self, pull: str | None = None) -> pl.DataFrame:
        """Return the history of corrections, oldest first."""
        return self._frame(named_query("amendments"), {"pull": pull})

    def declarations(self, number: int | None = None) -> pl.DataFrame:
        """Return the questions that were declared, oldest first; one of them, if numbered."""
        return self._frame(named_query("store/declarations"), {"number": number})

    def declared_pulls(self, number: int) -> pl.DataFrame:
        """Return the run sheet of a declared question, in order."""
        return self._frame(named_query("store/declared_pulls"), {"number": number})

    def looks(self, number: int) -> pl.DataFrame:
        """Return the looks taken at a declared study, oldest first."""
        return self._frame(named_query("looks"), {"number": number})

    def sources(self) -> pl.DataFrame:
        """Return what files are stored, one row a file: sha256, file, size, stored_at, pulls."""
        return self._frame(named_query("sources"), {})

    def labels_of_sources(self, sha256: Sequence[str]) -> dict[str, list[StoredLabels]]:
        """Return the labels of the pulls that came from files, by file and in file order.

        May be asked while another thread adds pulls; those are in the answer once committed.

        Args:
            sha256: The files; those that are not stored are not in the answer.
        """
        with errors_in_words(self.path), self._connection.cursor() as cursor:
            pulls = rows_of(cursor, "store/labels_of_sources", {"sha256": sha256})
            past = rows_of(cursor, "store/corrections_of_sources", {"sha256": sha256})
        fields = [c.name for c in named_query("store/labels_of_sources").columns][2:]
        once: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        for pull, field, old, new in past:
            once[pull, field] |= {str(old), str(new)}
        answer: dict[str, list[StoredLabels]] = {}
        for file, pull, *values in pulls:
            now = dict(zip(fields, values, strict=True))
            ever = {field: once[pull, field] | {label_text(now[field])} for field in fields}
            answer.setdefault(file, []).append(StoredLabels(pull=pull, now=now, ever=ever))
        return answer

    def source(self, sha256: str) -> bytes:
        """Return the original bytes of a file.

        Raises:
            WarehouseError: If no such file is stored.
        """
        with errors_in_words(self.path):
            rows = rows_of(self._connection, "store/source", {"sha256": sha256})
        if not rows:
            raise WarehouseError("no file with these bytes is stored", where=sha256)
        return bytes(rows[0][0])

    def regression_columns(self) -> dict[str, bool]:
        """Return the columns a regression can use, in order, and whether each holds numbers."""
        with self._regression_rows({}) as rows:
            return {
                name: is_number(kind) for name, kind in zip(rows.columns, rows.types, strict=True)
            }

    def regression_rows(self, columns: Sequence[str], scope: Mapping[str, Value]) -> pl.DataFrame:
        """Return the rows of a regression, one a pull and speed of the grid.

        Args:
            columns: The columns wanted.
            scope: Values of the parameters of queries/regression_rows.sql; those not given are all.
        """
        with self._regression_rows(scope) as rows:
            return pl.DataFrame(rows.select(*(duckdb.ColumnExpression(name) for name in columns)))

    def regression_sums(
        self,
        columns: Sequence[str],
        response: str,
        *,
        cluster: str,
        level: str | None,
        scope: Mapping[str, Value],
    ) -> RowSums:
        """Return the sums of those rows over clusters, taken where they lie.

        Args:
            columns: What the response is regressed on, beside a constant.
            response: What is explained.
            cluster: Column that says which rows share an error.
            level: Column of the larger group a cluster lies in; None for none.
            scope: As in `regression_rows`.
        """
        with self._regression_rows(scope) as rows:
            return sum_rows(rows, columns=columns, response=response, cluster=cluster, level=level)

    @contextlib.contextmanager
    def _regression_rows(self, scope: Mapping[str, Value]) -> Generator[duckdb.DuckDBPyRelation]:
        query = named_query("regression_rows")
        with errors_in_words(self.path):
            yield self._connection.sql(query.sql, params=query.bind(scope))

    def query(self, text: str, values: Mapping[str, Value] | None = None) -> pl.DataFrame:
        """Answer a named query, or the user's own SQL, which can only read.

        Args:
            text: Name of a query (one word), or one select statement.
            values: Values of its parameters by name; bound, never pasted into the text.

        Raises:
            InputError: If there is no such query, it would write or reach outside the warehouse,
                or it is wrong.
        """
        asked = question(self._connection, text, values or {})
        asked = replace(asked, values=self._at_its_time(asked.values))
        with answer(self._connection, self.path, asked) as rows:
            return pl.DataFrame(rows)

    def query_to(self, out: Path, text: str, values: Mapping[str, Value] | None = None) -> None:
        """Answer likewise, streaming the rows to a file: .parquet, .csv or .ndjson.

        Raises:
            InputError: As `query`; also if the file cannot be written.
        """
        asked = question(self._connection, text, values or {})
        with answer(self._connection, self.path, asked) as rows:
            write_answer(rows, out)

    def _frame(self, query: NamedQuery, params: Mapping[str, Value]) -> pl.DataFrame:
        values = self._at_its_time(query.bind(params))
        with errors_in_words(self.path):
            return pl.DataFrame(self._connection.sql(query.sql, params=values))

    def _at_its_time(self, values: dict[str, Value]) -> dict[str, Value]:
        """Return a query's values with the time the store is read at, where none was asked for."""
        if self._as_of is None or values.get("as_of", self._as_of) is not None:
            return values
        return values | {"as_of": self._as_of}

    def require(self, pulls: Sequence[str]) -> list[int]:
        """Return the numbers of pulls that must all exist.

        Raises:
            WarehouseError: If one of them does not.
        """
        numbers = {pull_number(pull): pull for pull in pulls}
        with errors_in_words(self.path):
            rows = rows_of(self._connection, "store/stored_pulls", {"pull_nos": list(numbers)})
        missing = [name for number, name in numbers.items() if (number,) not in rows]
        if missing:
            raise WarehouseError(
                "there is no such pull",
                where=", ".join(missing),
                mend="`dynostats pulls` lists what is stored.",
            )
        return list(numbers)

    @contextlib.contextmanager
    def _transaction(self) -> Generator[None]:
        """Run the block in one transaction: kept whole, or undone whole on any error."""
        if not self.writable:
            raise WarehouseError("the warehouse is open for reading only", where=str(self.path))
        with errors_in_words(self.path):
            self._connection.execute("begin transaction")
            try:
                yield
                self._connection.execute("commit")
            except BaseException:
                with contextlib.suppress(duckdb.Error):  # a failed commit has undone itself
                    self._connection.execute("rollback")
                raise
