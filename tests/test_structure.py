"""What linters cannot check: who may import whom, what lies where, and what every command owes."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import click
import pytest

from dynostats.cli.root import COMMANDS
from dynostats.cli.root import dynostats as command_group

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "dynostats"

# A layer may import the layers before it, and itself.
LAYERS = (
    ("errors", "words", "arrays"),
    ("units",),
    ("simulate",),
    ("ingest",),
    ("warehouse",),
    ("curves",),
    ("intake",),
    ("analysis",),
    ("charts",),
    ("report",),
    ("api",),
    ("cli",),
    ("__main__",),
)
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
TOP_FOLDERS = {"dynostats", "queries", "tests", "datasets", "reports"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def layer_of(module: str) -> str:
    """Return the layer of a dotted module name below dynostats; "" for the package itself."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports_of(path: Path) -> set[str]:
    """Return the dotted names of all modules a file imports, at the top or inside functions."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the layer"
            module = node.module or ""
            names.update({module} | {f"{module}.{alias.name}" for alias in node.names})
    return names


def file_layer(path: Path) -> str:
    """Return the layer a file belongs to; "" for dynostats/__init__.py."""
    first = path.relative_to(PACKAGE).parts[0]
    return "" if first == "__init__.py" else first.removesuffix(".py")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path):
    layer = file_layer(path)
    if layer == "":
        return  # the package's own face names all layers, and loads them when asked
    used = {layer_of(name) for name in imports_of(path) if name.startswith("dynostats.")}
    known = {name for name in used if name in RANK}
    wrong = {name for name in known - {layer} if RANK[name] >= RANK[layer]}
    assert not wrong, f"{layer} must not import {sorted(wrong)}"


def test_every_module_has_a_layer():
    assert {file_layer(path) for path in MODULES} - {""} <= set(RANK)


def test_the_rule_finds_an_import_that_points_backwards(tmp_path):
    wrong = tmp_path / "wrong.py"
    wrong.write_text("def f():\n    from dynostats.cli import main\n    return main\n")
    assert "cli" in {layer_of(name) for name in imports_of(wrong)}
    assert RANK["cli"] > RANK["analysis"]


def test_only_the_warehouse_imports_duckdb():
    users = {
        file_layer(p) for p in MODULES if any(n.split(".")[0] == "duckdb" for n in imports_of(p))
    }
    assert users <= {"warehouse"}


def test_simulation_stands_alone():
    for path in (PACKAGE / "simulate").rglob("*.py"):
        ours = {layer_of(n) for n in imports_of(path) if n.startswith("dynostats.")}
        assert ours & set(RANK) <= {"simulate", "errors", "units", "arrays"}


def test_pandas_is_never_imported():
    assert not [p for p in MODULES if any(n.split(".")[0] == "pandas" for n in imports_of(p))]


def test_every_module_says_what_it_is_for():
    assert not [p for p in MODULES if not ast.get_docstring(ast.parse(p.read_text("utf-8")))]


def test_top_level_names_are_few():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode:  # an sdist has no git; its own files are what it holds
        names = {p.name for p in ROOT.iterdir() if p.is_file()}
    else:
        names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    strays = {
        name
        for name in names - TOP_LEVEL - TOP_FOLDERS
        if not name.startswith(".") and not name.endswith(".lock")
    }
    assert strays <= {"PKG-INFO"}


LOCKS = (".requirements.lock", ".lake.lock")


def pins_of(lock: str) -> set[str]:
    """Return what a lock file pins, with the Python each pin is for."""
    text = (ROOT / lock).read_text("utf-8")
    return set(re.findall(r"^([a-z0-9._-]+==[^\\]+?) \\$", text, flags=re.MULTILINE))


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_file_names_no_host(name):
    lock = (ROOT / name).read_text("utf-8")
    assert "://" not in lock
    assert "index-url" not in lock
    pins = pins_of(name)
    assert len(pins) >= 30
    assert len(re.findall(r"--hash=sha256:[0-9a-f]{64}", lock)) >= len(pins)


def test_the_extra_lake_is_locked_apart_and_agrees_with_the_rest():
    main, lake = pins_of(LOCKS[0]), pins_of(LOCKS[1])
    names = {pin.partition("==")[0] for pin in lake}
    heavy = {"pysail", "pyspark-client", "sqlglot"}
    # What the client is built with stands in the lock too, so that nothing comes from outside it.
    assert heavy | {"setuptools", "wheel"} <= names
    assert not heavy & {pin.partition("==")[0] for pin in main}, "too large for every shop"
    known = {pin.partition("==")[0] for pin in main}
    assert {pin for pin in lake if pin.partition("==")[0] in known} <= main


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_teaches(name):
    command = command_group.get_command(click.Context(command_group), name)
    assert command.name == name
    assert command.get_short_help_str(limit=200) == COMMANDS[name][1]
    example = rf"^ +dynostats (--warehouse \S+ )?{name}\b"
    assert re.search(example, command.help or "", flags=re.MULTILINE), "the help shows an example"
    for option in command.params:
        if isinstance(option, click.Option) and not option.hidden:
            assert option.help, f"{name} {option.opts[0]} has no help"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_named_in_the_documents(name):
    text = (ROOT / "README.md").read_text("utf-8") + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert re.search(rf"\bdynostats [^\n`]*\b{name}\b|`{name}\b", text)
