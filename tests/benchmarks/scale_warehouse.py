"""Warehouses of any size, generated where they are stored: what years of pulls look like.

Engines of 200 pulls each, on four dynos in turn; sessions of eight pulls, `standard` and a trial
setup in the order ABBAABBA, each trial in two sessions; 300 to 600 samples of 12 channels at the
precision of a CSV file, the CSV text itself as the source, and curves on a grid of 36 to 60 speeds:
each engine has its own range, and one pull in fifty ends early. The larger a warehouse, the more
engines and years it holds; an engine's own history stays the same.

All randomness is a hash of the pull's number: the same size gives the same warehouse.

.venv/bin/python tests/benchmarks/scale_warehouse.py PULLS FILE
"""

from __future__ import annotations

from pathlib import Path

import click
import duckdb

from dynostats.warehouse import open_store

RUN = "ABBAABBA"
PULLS_AN_ENGINE = 200
DYNOS = 4
SESSIONS_A_DAY = 4
PULLS_AT_ONCE = 2_500
# By channel: decimals it is logged with, and its value. `own` is the pull, `x` runs from 0 to 1
# over the speeds, `n` is the engine speed in rpm, `{e}` a deviate of the sample (0 in the curve).
TORQUE = (
    "own.size * (250 + 180 * x * (1 - x)) * exp(own.level + own.tilt * (x - 0.5)"
    " + own.wave * sin(6.283 * (x + own.phase)) + 0.004 * {e})"
)
CHANNELS = {
    "torque": (2, TORQUE),
    "power": (2, TORQUE + " * n * pi() / 30000"),
    "manifold_pressure": (1, "150 + 30 * x + 300 * own.tilt + 0.4 * {e}"),
    "compressor_out_pressure": (1, "156 + 34 * x + 300 * own.tilt + 0.4 * {e}"),
    "charge_temperature": (1, "30 + 12 * x + own.place + 0.2 * {e}"),
    "lambda": (3, "0.88 - 0.03 * x + own.tilt + 0.004 * {e}"),
    "exhaust_temperature_1": (0, "700 + 160 * x + 4 * {e}"),
    "fuel_flow": (2, "15 + 40 * x + 0.2 * {e}"),
    "oil_pressure": (0, "380 + 120 * x + 3 * {e}"),
    "coolant_temperature": (1, "82 + 4 * x + 0.5 * own.place + 0.1 * {e}"),
}
LOGGED = ("time", "engine_speed", *CHANNELS)
LOW_RPM, HIGH_RPM, STEP_RPM = 2500, 5450, 50
# How many speeds an engine's range may be shorter by at either end, and how many one pull in
# `EARLY` lacks at the upper end.
LATER, SOONER, EARLY, LACKING = 10, 14, 50, 10


def make_scale_warehouse(path: Path, pulls: int) -> Path:
    """Make a warehouse of so many pulls; the file must not exist."""
    with open_store(path, write=True):
        pass
    with duckdb.connect(path) as connection:
        connection.execute("set memory_limit = '2GB'")
        connection.execute("set preserve_insertion_order = true")
        for table in ("samples", "curves"):
            _add_columns(connection, table)
        _write_pulls(connection, pulls)
        for first in range(1, pulls + 1, PULLS_AT_ONCE):
            _write_data(connection, first, min(first + PULLS_AT_ONCE - 1, pulls))
        _write_labels(connection)
        connection.execute("checkpoint")
    with open_store(path, write=True) as store:  # the views of the wide tables are made anew
        assert store.pulls().height == pulls
    return path


def _add_columns(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    names = [name for name in LOGGED if not (table == "curves" and name == "engine_speed")]
    stored = {row[0] for row in connection.execute(f"describe stored_{table}").fetchall()}
    for name in names:
        if name not in stored:
            connection.execute(f'alter table stored_{table} add column "{name}" double')
    keys = "pull_no, sample" if table == "samples" else "pull_no, rpm"
    known = [row[0] for row in connection.execute("from channels select channel").fetchall()]
    columns = ", ".join(
        f'"{name}"' if name in names or name in stored else f'null::double as "{name}"'
        for name in known
        if not (table == "curves" and name == "engine_speed")
    )
    connection.execute(
        f"create or replace view {table} as select {keys}, {columns} from stored_{table}"
    )


def _normal(key: str, salt: int) -> str:
    """Return SQL for a standard normal deviate that follows from a key (Box and Muller, 1958)."""
    first, second = (
        f"((hash({key}, {salt + add}) % 4294967296)::double + 0.5) / 4294967296" for add in (0, 1)
    )
    return f"sqrt(-2 * ln({first})) * cos(2 * pi() * {second})"


def _write_pulls(connection: duckdb.DuckDBPyConnection, pulls: int) -> None:
    """Make the table `own`: what is particular to each pull, and its labels."""
    connection.execute(f"""
        create temp table own as
        with numbered as (
            select
                (i + 1)::integer as pull_no,
                i // {PULLS_AN_ENGINE} as engine_no,
                i // {len(RUN)} as session_no,
                (i % {len(RUN)})::integer as place,
                substr('{RUN}', (i % {len(RUN)})::integer + 1, 1) = 'A' as standard,
                ((i % {PULLS_AN_ENGINE}) // {2 * len(RUN)}) as trial
            from range({pulls}) as numbers(i)
        )
        select
            *,
            (300 + hash(pull_no, 7) % 301)::integer as row_count,
            0.8 + (hash(engine_no, 11) % 1000) / 1000.0::double as size,
            case when standard then 0 else 0.01 * {_normal("engine_no, trial", 21)} end
                + 0.004 * {_normal("session_no", 31)}
                + 0.003 * {_normal("pull_no", 41)} as level,
            case when standard then 0 else 0.004 * {_normal("engine_no, trial", 51)} end
                + 0.002 * {_normal("pull_no", 61)} as tilt,
            ({LOW_RPM} + {STEP_RPM} * (hash(engine_no, 91) % {LATER + 1})::integer) as low,
            ({HIGH_RPM} - {STEP_RPM} * (
                (hash(engine_no, 92) % {SOONER + 1})::integer
                + case when hash(pull_no, 93) % {EARLY} = 0
                    then 1 + (hash(pull_no, 94) % {LACKING})::integer else 0 end
            )) as high,
            0.002 * {_normal("pull_no", 71)} as wave,
            (hash(pull_no, 81) % 1000) / 1000.0::double as phase,
            timestamp '2016-01-04 08:00:00'
                + to_days((session_no // {SESSIONS_A_DAY})::integer)
                + to_minutes(10 * place) as started,
        from numbered
    """)


def _values(*, e: str, rounded: bool) -> str:
    return ", ".join(
        f'round({value.format(e=e)}, {decimals}) as "{name}"'
        if rounded
        else f'({value.format(e=e)}) as "{name}"'
        for name, (decimals, value) in CHANNELS.items()
    )


def _write_data(connection: duckdb.DuckDBPyConnection, first: int, last: int) -> None:
    chosen = f"own.pull_no between {first} and {last}"
    columns = ", ".join(f'"{name}"' for name in LOGGED)
    connection.execute(f"""
        create or replace temp table logged as
        select
            own.pull_no,
            sample::integer as sample,
            round(sample * 8.0 / own.row_count, 3) as time,
            round(n, 0) as n,
            {_values(e="error", rounded=True)}
        from own,
            lateral (select unnest(range(own.row_count)) as sample),
            lateral (select
                own.low - 20
                    + sample / (own.row_count - 1)::double * (own.high - own.low + 40) as n,
                (n - {LOW_RPM}) / {HIGH_RPM - LOW_RPM}.0::double as x,
                ((hash(own.pull_no, sample) % 65536)::double / 65536 - 0.5) * 3.46 as error)
        where {chosen}
        order by own.pull_no, sample
    """)
    stored = columns.replace('"engine_speed"', "n")
    connection.execute(f"""
        insert into stored_samples (pull_no, sample, {columns})
        select pull_no, sample, {stored} from logged order by pull_no, sample
    """)
    speed_free = ", ".join(f'"{name}"' for name in CHANNELS)
    connection.execute(f"""
        insert into stored_curves (pull_no, rpm, {speed_free})
        select
            own.pull_no,
            n::double as rpm,
            {_values(e="0", rounded=False)}
        from own,
            lateral (select unnest(range(own.low, own.high + 1, {STEP_RPM})) as n),
            lateral (select (n - {LOW_RPM}) / {HIGH_RPM - LOW_RPM}.0::double as x)
        where {chosen}
        order by own.pull_no, rpm
    """)
    connection.execute(f"""
        create or replace table stored_sources_{(first - 1) // PULLS_AT_ONCE + 1} as
        with texts as (
            select
                pull_no,
                encode('{",".join(LOGGED)}\n' || string_agg(
                    concat_ws(',', {stored}), '\n' order by sample)) as data
            from logged
            group by pull_no
        )
        select
            sha256(data) as sha256,
            'run' || pull_no || '.csv' as file,
            octet_length(data)::bigint as size,
            timestamp '2026-01-01' as stored_at,
            data
        from texts
        order by pull_no
    """)
    connection.execute("drop table logged")


def _write_labels(connection: duckdb.DuckDBPyConnection) -> None:
    tables = [
        row[0]
        for row in connection.execute(
            "select table_name from duckdb_tables() where table_name like 'stored_sources%'"
        ).fetchall()
    ]
    every = " union all ".join(
        f"select sha256, file, size, stored_at, data from {name}" for name in tables
    )
    connection.execute(f"create or replace view sources as {every}")
    connection.execute(f"""
        insert into pulls by name
        select
            own.pull_no,
            'run' || own.pull_no || '.csv' as file,
            hashes.sha256,
            1 as part,
            0 as first_row,
            own.row_count,
            'E' || own.engine_no as engine,
            'cell ' || own.engine_no % {DYNOS} as dyno,
            'S' || own.session_no as session,
            case when own.standard then 'standard' else 'trial ' || own.trial end as setup,
            own.place + 1 as run_order,
            own.started,
            'accepted' as state,
            own.low as rpm_low,
            own.high as rpm_high,
            timestamp '2026-01-01' as stored_at,
            'scale' as importer,
        from own
        inner join (select sha256, file from sources) as hashes
            on hashes.file = 'run' || own.pull_no || '.csv'
        order by own.pull_no
    """)
    for name, labels in {
        "engines": "engine",
        "dynos": "dyno",
        "sessions": "dyno, session",
        "setups": "engine, setup",
    }.items():
        connection.execute(f"""
            insert into {name} by name
            select {labels}, min(stored_at) as first_seen from pulls group by {labels}
        """)
    listed = ", ".join(f"({at}, '{name}')" for at, name in enumerate(LOGGED))
    connection.execute(f"""
        insert into channel_readings by name
        select
            pulls.pull_no,
            logged.position,
            logged.channel,
            channels.unit,
            logged.channel as source,
            channels.unit as source_unit,
            'header' as how,
            true as known,
            true as stored,
        from pulls
        cross join (values {listed}) as logged(position, channel)
        inner join channels on channels.channel = logged.channel
        order by pulls.pull_no, logged.position
    """)
    connection.execute("""
        update counters
        set pull_no = (select max(pulls.pull_no) from pulls),
            judged_pull_no = (select max(pulls.pull_no) from pulls)
    """)


@click.command()
@click.argument("pulls", type=int)
@click.argument("path", type=click.Path(path_type=Path))
def main(pulls: int, path: Path) -> None:
    """Make a warehouse of PULLS pulls at PATH."""
    make_scale_warehouse(path, pulls)


if __name__ == "__main__":
    main()
