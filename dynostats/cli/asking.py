"""The command that asks the warehouse in SQL."""

from __future__ import annotations

from pathlib import Path

import click

from dynostats.cli.output import answer_console, print_json, print_rows, tell, working
from dynostats.cli.settings import answers, current, current_warehouse

SHOWN_ROWS = 50


@click.command()
@answers
@click.argument("name", required=False)
@click.option("--sql", metavar="TEXT", help="Your own select statement; it can only read.")
@click.option(
    "--param",
    "params",
    multiple=True,
    metavar="K=V",
    help="Value of a parameter, written $K in the SQL; may be given several times.",
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write the rows to a .parquet, .csv or .ndjson file, however many there are.",
)
def query(name: str | None, sql: str | None, params: tuple[str, ...], out: Path | None) -> None:
    """Ask a named question, or your own SQL.

    Both only read. Without NAME and --sql, the questions that have a name are listed.

    \b
    Examples:
      dynostats query
      dynostats query pulls --param engine=QB-21T
      dynostats query --sql "select setup, count(*) as n from pulls group by setup"
      dynostats query sources --out sources.csv
    """
    if name and sql:
        raise click.UsageError("Give a NAME or --sql, not both.")
    values = dict(_key_value(param) for param in params)
    text = sql or name
    if text is None:
        _print_names()
    elif out is not None:
        _write(out, text, values)
    else:
        _print_answer(text, values)


def _key_value(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise click.BadParameter(f"'{text}' is not K=V", param_hint="--param")
    return key.strip(), value


def _print_names() -> None:
    from dataclasses import asdict

    from dynostats.warehouse import named_query, query_names

    queries = [named_query(name) for name in query_names()]
    if current().as_json:
        print_json({"queries": [asdict(query) for query in queries]})
        return
    console = answer_console()
    for found in queries:
        parameters = ", ".join(parameter.name for parameter in found.parameters)
        console.print(f"{found.name:<24} {found.question}")
        if parameters:
            console.print(f"{'':<24} parameters: {parameters}", style="dim")


def _write(out: Path, text: str, values: dict[str, str]) -> None:
    with working("asking"):
        written = current_warehouse().query_to(out, text, values)
    if current().as_json:
        print_json({"out": str(written)})
    else:
        answer_console().print(f"Written: {written}")


def _print_answer(text: str, values: dict[str, str]) -> None:
    with working("asking"):
        answer = current_warehouse().query(text, **values)
    if current().as_json:
        print_json(answer.to_dict())
        return
    frame = answer.frame
    print_rows(frame.columns, frame.head(SHOWN_ROWS).rows())
    if frame.height > SHOWN_ROWS:
        tell(f"{SHOWN_ROWS} of {frame.height} rows; --out FILE writes them all.")
