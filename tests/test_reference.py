"""The reference of the public names: complete, built without a warning, its examples true."""

from __future__ import annotations

import ast
import doctest
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import dynostats as ds

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = sorted(
    path
    for path in (ROOT / "dynostats").rglob("*.py")
    if any(
        ">>>" in (ast.get_docstring(node) or "")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
    )
)


def module_of(path: Path) -> str:
    """Return the dotted name of a file of the package."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=module_of)
def test_the_examples_of_docstrings_are_true(path):
    ran = doctest.testmod(importlib.import_module(module_of(path)))
    assert ran.attempted > 0
    assert ran.failed == 0


def test_every_public_name_says_what_it_is():
    named = [getattr(ds, name) for name in ds.__all__ if name != "__version__"]
    methods = [getattr(ds.Warehouse, key) for key in dir(ds.Warehouse) if not key.startswith("_")]
    assert len(methods) > 20
    assert [one for one in (*named, *methods) if not (one.__doc__ or "").strip()] == []


def test_the_reference_builds_without_a_warning(tmp_path):
    command = [sys.executable, ROOT / "tests" / "api_reference.py", "--out", tmp_path]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    page = (tmp_path / "dynostats.html").read_text("utf-8")
    wanted = [f'id="{name}"' for name in ds.__all__]
    wanted += [f'id="Warehouse.{key}"' for key in dir(ds.Warehouse) if not key.startswith("_")]
    assert len(wanted) > 40
    assert [one for one in wanted if one not in page] == []
