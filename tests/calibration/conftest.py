"""The option of the calibration."""

from __future__ import annotations


def pytest_addoption(parser):
    parser.addoption(
        "--full-calibration",
        action="store_true",
        help="with `pytest tests/calibration`: all scenarios at full size (an hour or two)",
    )
