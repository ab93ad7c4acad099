"""The documents whose contents are answers: made anew, or compared with what stands in reports/.

    .venv/bin/python tests/documents.py

`reports/cookbook.md` lists the named queries from their headers. In `reports/researcher.md` each
block of commands is followed by a block with what they print on the demo's logs.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import tempfile
from pathlib import Path

import dynostats as ds
from dynostats.cli import main as run_command
from dynostats.warehouse import NamedQuery, named_query, query_names

ROOT = Path(__file__).parents[1]
COOKBOOK = ROOT / "reports" / "cookbook.md"
RESEARCHER = ROOT / "reports" / "researcher.md"

# What a researcher comes for, and the queries that answer it; every query stands in one of them.
SUBJECTS = {
    "What is stored": ("pulls", "setups", "sources", "channels", "attributes", "channel_coverage",
                       "findings", "amendments", "events"),
    "Noise of the cell": ("cell_noise", "session_noise", "engine_repeats", "history_statistics",
                          "cross_products"),
    "Drift, order and air": ("reference_drift", "warm_up", "run_order", "sweep_rates",
                             "ambient_by_month", "charge_recovery"),
    "Engines and setups": ("engine_family", "similar_pulls", "study_curves", "peak_power",
                           "cooler_loss", "regression_rows"),
    "Incidents": ("lean_cylinders", "flat_sensors"),
    "Studies": ("past_studies", "met_setups", "thin_comparisons", "declared", "looks"),
}  # fmt: skip

_BLOCKS = re.compile(r"```sh\n(?P<commands>.*?)```\n\n```text\n(?P<answer>.*?)```", re.DOTALL)


def make_cookbook() -> str:
    """Return the listing of all named queries, from their headers."""
    listed = [name for names in SUBJECTS.values() for name in names]
    assert sorted(listed) == sorted(query_names()), set(listed) ^ set(query_names())
    lines = [
        "# Query cookbook",
        "",
        "Every question that has a name, from the headers of the files in `queries/`. Ask one with",
        "`dynostats query NAME --param K=V`, from Python with `wh.query(NAME, K=V)`, as a lazy",
        "frame with `wh.scan(NAME, K=V)`, or copy its SQL and change it: `dynostats query --sql`",
        "reads the same tables. Made by `.venv/bin/python tests/documents.py`.",
        "",
    ]
    for subject, names in SUBJECTS.items():
        lines += [f"## {subject}", ""]
        for name in names:
            lines += _recipe(named_query(name))
    return "\n".join(lines)


def _recipe(query: NamedQuery) -> list[str]:
    example = f"dynostats query {query.name}" + "".join(
        f" --param {one.name}=…" for one in query.parameters if one.required
    )
    lines = [f"### {query.name}", "", query.question, "", f"Grain: {query.grain}.", ""]
    lines += ["```text", example, "```", ""]
    for one in query.parameters:
        default = "required" if one.required else f"default {one.default}".replace("None", "null")
        lines.append(f"- parameter `{one.name}` ({one.type}, {default}): {one.meaning}")
    for column in query.columns:
        unit = f" [{column.unit}]" if column.unit else ""
        meaning = f": {column.meaning}" if column.meaning else ""
        lines.append(f"- `{column.name}`{unit}{meaning}")
    return [*lines, ""]


def answer_anew(text: str, warehouse: Path) -> str:
    """Return a document with what its commands print now.

    Args:
        text: The document.
        warehouse: A warehouse with the demo's logs.
    """

    def again(block: re.Match[str]) -> str:
        commands = block["commands"]
        answers = "".join(_printed(line, warehouse) for line in commands.splitlines())
        return f"```sh\n{commands}```\n\n```text\n{answers}```"

    return _BLOCKS.sub(again, text)


def _printed(command: str, warehouse: Path) -> str:
    program, *words = shlex.split(command)
    assert program == "dynostats"
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        try:
            run_command(["--warehouse", str(warehouse), *words])
        except SystemExit as stop:
            if stop.code:
                msg = f"{command} ended with {stop.code}"
                raise RuntimeError(msg) from stop
    return "".join(f"{line.rstrip()}\n" for line in out.getvalue().splitlines())


def main() -> None:
    """Write both documents anew."""
    os.environ.pop("DYNOSTATS_WAREHOUSE", None)
    COOKBOOK.write_text(make_cookbook(), encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.duckdb"
        with ds.open_warehouse(path) as warehouse:
            warehouse.ingest(ROOT / "datasets" / "demo")
        text = RESEARCHER.read_text(encoding="utf-8")
        RESEARCHER.write_text(answer_anew(text, path), encoding="utf-8")


if __name__ == "__main__":
    main()
