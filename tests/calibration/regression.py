"""How often `regress` finds a setup's effect that is none, and holds a known exponent.

Each simulated shop has sessions pulled in the order A B B A. Torque follows manifold pressure with
the exponent 1; the setups differ in nothing. Sessions and pulls have levels of their own, and the
error of a pull follows engine speed. Nominal: 5% and 95%.

Run (20 minutes on one processor): .venv/bin/python tests/calibration/regression.py [--share 1.0]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import numpy as np
import polars as pl

from dynostats.analysis.regression.regress import regress

RPM = np.arange(2000.0, 5000.0, 300.0)
SESSION_SD, PULL_SD, SAMPLE_SD = 0.006, 0.003, 0.0007
# Half of a pull's variance is common to all speeds, half fades over 800 rpm.
APART = np.abs(RPM[:, None] - RPM[None, :])
ROOT = np.linalg.cholesky(0.5 + 0.5 * np.exp(-APART / 800.0) + 1e-9 * np.eye(len(RPM)))
FORMULA = "log_torque ~ log_pressure + bs(rpm, df=4) + setup"
# errors, by, sessions, studies: the mixed model takes longest.
SCENES = (
    ("cr2", None, 3, 400),
    ("cr2", None, 6, 400),
    ("cr2", "session", 4, 400),
    ("cr2", "session", 6, 400),
    ("cr2", "session", 12, 200),
    ("wild", None, 6, 200),
    ("wild", "session", 4, 200),
    ("mixed", None, 2, 400),
    ("mixed", None, 4, 140),
)


def make_shop(rng: np.random.Generator, sessions: int) -> pl.DataFrame:
    """Return one row a pull and engine speed of a shop in which the setups are alike."""
    pulls: list[pl.DataFrame] = []
    for session in range(sessions):
        level = rng.normal(0.0, SESSION_SD)
        for place, setup in enumerate("ABBA"):
            log_pressure = np.log(150.0) + rng.normal(0.0, 0.02) + 0.1 * np.sin(RPM / 900.0)
            shape = 5.7 - ((RPM - 3800.0) / 6000.0) ** 2 + log_pressure - np.log(150.0)
            error = PULL_SD * (ROOT @ rng.normal(size=len(RPM)))
            pulls.append(
                pl.DataFrame(
                    {
                        "pull": f"P{session}_{place}",
                        "session": f"S{session}",
                        "setup": setup,
                        "rpm": RPM,
                        "log_torque": shape + level + error + rng.normal(0, SAMPLE_SD, len(RPM)),
                        "log_pressure": log_pressure,
                    }
                )
            )
    return pl.concat(pulls)


def count(errors: str, by: str | None, sessions: int, studies: int) -> tuple[int, int]:
    """Return in how many studies the setup was found, and how many held the exponent."""
    rng = np.random.default_rng(5)
    found = held = 0
    for _ in range(studies):
        table = regress(FORMULA, make_shop(rng, sessions), errors=errors, by=by).table
        setup = table.filter(term="setup[T.B]").row(0, named=True)
        exponent = table.filter(term="log_pressure").row(0, named=True)
        found += setup["p_value"] <= 0.05
        held += exponent["low"] <= 1.0 <= exponent["high"]
    return found, held


@click.command()
@click.option("--share", default=1.0, help="Share of the studies that are run.")
def main(share: float) -> None:
    """Print a row a scene."""
    click.echo("| errors | clusters | sessions | studies | setup found | exponent held |")
    click.echo("| --- | --- | ---: | ---: | ---: | ---: |")
    for errors, by, sessions, whole in SCENES:
        studies = max(1, round(share * whole))
        found, held = count(errors, by, sessions, studies)
        click.echo(
            f"| {errors} | {by or 'pulls, a level a session'} | {sessions} | {studies} | "
            f"{found / studies:.1%} | {held / studies:.1%} |"
        )


if __name__ == "__main__":
    main()
