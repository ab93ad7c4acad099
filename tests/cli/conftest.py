"""Running the command line inside the test's own process."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest

from dynostats.cli import main


@dataclass(frozen=True)
class Ran:
    """What a command said, and how it ended."""

    status: int
    out: str
    err: str

    def json(self):
        """Return the one JSON document on standard output; strict about what JSON allows."""

        def refuse(constant):
            raise AssertionError(f"{constant} is not JSON")

        return json.loads(self.out, parse_constant=refuse)


@pytest.fixture
def run(capsys, monkeypatch):
    """Return a function that runs a command and returns its status and both streams."""
    monkeypatch.delenv("DYNOSTATS_WAREHOUSE", raising=False)

    def run(*arguments: object) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as stop:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return Ran(status=stop.value.code, out=said.out, err=said.err)

    return run


@pytest.fixture
def on(run, first_warehouse):
    """Return a function that runs a command on the warehouse of the first comparison."""
    return lambda *arguments: run("--warehouse", first_warehouse, *arguments)
