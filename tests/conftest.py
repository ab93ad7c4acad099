"""What the tests of several parts share."""

from __future__ import annotations


def pytest_addoption(parser):
    parser.addoption(
        "--full-calibration",
        action="store_true",
        help="run the calibration tests at their full size (hours), not the quick one",
    )
