"""The invented shop of the demo: its engines, changes, cells and days.

Quillbeck Engine Works, its engines and its parts do not exist.
"""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.simulate.cell import SAMPLE_NOISE, Cell
from dynostats.simulate.cylinder import DIESEL, Friction
from dynostats.simulate.day import Day
from dynostats.simulate.engine import Cooler, EngineSpec, Turbo
from dynostats.simulate.faults import Fault
from dynostats.simulate.noise import CurveNoise
from dynostats.simulate.setup import Setup

SHOP = "Quillbeck Engine Works"
DEFAULT_SEED = 18

TURBO_FIVE = EngineSpec(
    name="QB-21T",
    cylinders=5,
    bore_mm=79.0,
    stroke_mm=86.0,
    compression_ratio=9.3,
    rpm_low=2200.0,
    rpm_high=6800.0,
    filling_peak=0.95,
    filling_peak_rpm=4600.0,
    filling_fall=0.10,
    intake_resistance_per_m4=2.0e5,
    exhaust_resistance_per_m4=9.3e5,
    lambda_low=0.90,
    lambda_high=0.84,
    timing_low_deg=-6.0,
    timing_high_deg=-4.0,
    cylinder_spread_pct=(-0.8, 0.4, 1.1, -0.2, -0.5),
    turbo=Turbo(
        boost_kpa=85.0,
        spool_rpm=2500.0,
        spool_width_rpm=350.0,
        taper_kpa=15.0,
        best_flow_kg_s=0.15,
        turbine_flow=2.6e-5,
    ),
    cooler=Cooler(
        resistance_per_m4=9.0e5,
        transfer_units=1.5,
        rated_flow_kg_s=0.20,
        heat_capacity_j_k=9000.0,
        shed_w_k=600.0,
    ),
)
"""Turbocharged 2.1-litre spark-ignition inline five with a spring-held wastegate."""

BREATHING_FOUR = EngineSpec(
    name="QB-16N",
    cylinders=4,
    bore_mm=78.0,
    stroke_mm=83.6,
    compression_ratio=11.2,
    rpm_low=2000.0,
    rpm_high=7400.0,
    filling_peak=0.99,
    filling_peak_rpm=5200.0,
    filling_fall=0.14,
    intake_resistance_per_m4=5.0e5,
    exhaust_resistance_per_m4=1.2e6,
    lambda_low=0.91,
    lambda_high=0.87,
    cylinder_spread_pct=(0.5, -0.6, -0.3, 0.4),
)
"""Naturally aspirated 1.6-litre spark-ignition inline four."""

DIESEL_FOUR = EngineSpec(
    name="QB-24C",
    ignition="compression",
    cylinders=4,
    bore_mm=86.0,
    stroke_mm=103.0,
    compression_ratio=16.5,
    rpm_low=1400.0,
    rpm_high=4000.0,
    filling_peak=0.93,
    filling_peak_rpm=2400.0,
    filling_fall=0.10,
    intake_resistance_per_m4=2.0e5,
    exhaust_resistance_per_m4=6.0e5,
    efficiency_share=0.78,
    lambda_low=1.30,
    lambda_high=1.30,
    injection_mg=62.0,
    timing_low_deg=0.0,
    timing_high_deg=-3.0,
    exhaust_heat_low=0.30,
    peak_pressure_factor=1.5,
    fuel=DIESEL,
    friction=Friction(constant_kpa=50.0, speed_kpa_s_m=6.0, speed_squared_kpa_s2_m2=0.40),
    cylinder_spread_pct=(0.3, -0.4, 0.2, -0.1),
    turbo=Turbo(
        boost_kpa=115.0,
        spool_rpm=1600.0,
        spool_width_rpm=200.0,
        taper_kpa=15.0,
        best_flow_kg_s=0.12,
        turbine_flow=2.0e-5,
        closed_loop=True,
    ),
    cooler=Cooler(
        resistance_per_m4=9.0e5,
        transfer_units=1.6,
        rated_flow_kg_s=0.14,
        heat_capacity_j_k=9000.0,
        shed_w_k=600.0,
    ),
)
"""Turbocharged 2.4-litre compression-ignition inline four, boost held absolute."""

ENGINES = {engine.name: engine for engine in (TURBO_FIVE, BREATHING_FOUR, DIESEL_FOUR)}

_SETUPS = (
    Setup(name="outlet-54", changed="exhaust outlet of 54 mm bore, as delivered"),
    Setup(
        name="outlet-70",
        changed="exhaust: outlet of 70 mm bore on quick clamps",
        relative_to="outlet-54",
        exhaust_resistance=(54.0 / 70.0) ** 4,
    ),
    Setup(
        name="timing-plus-1",
        changed="ignition: 1 degree earlier",
        relative_to="outlet-54",
        timing_deg=1.0,
    ),
    Setup(
        name="deep-core",
        changed="cooler: deeper core",
        relative_to="outlet-54",
        cooler_resistance=1.6,
        cooler_transfer=1.3,
    ),
    Setup(name="stock", changed="as delivered"),
    Setup(
        name="wide-airbox",
        changed="intake: airbox with twice the filter area",
        relative_to="stock",
        intake_resistance=0.5,
    ),
    Setup(
        name="light-oil",
        changed="oil: one grade lighter",
        relative_to="stock",
        friction=0.997,
    ),
    Setup(
        name="fuelling-plus-3",
        changed="fuelling: 3% more fuel a stroke",
        relative_to="stock",
        fuelling=1.03,
    ),
)
SETUPS = {setup.name: setup for setup in _SETUPS}

BRAKE = Cell(
    name="cell-1",
    noise=CurveNoise(pull_sd_pct=0.36, session_sd_pct=0.38, drift_pct_per_pull=-0.06),
    boost_pull_sd_pct=0.18,
)
"""The brake cell: most of the history, and the study."""

QUIET = Cell(
    name="cell-2",
    noise=CurveNoise(pull_sd_pct=0.09, session_sd_pct=0.25, drift_pct_per_pull=-0.01),
    boost_pull_sd_pct=0.0,
    mixture_pull_sd_pct=0.05,
    sample_rate_hz=25.0,
    sweep_rate_rpm_s=500.0,
    soak_c=0.5,
    sample_noise={**SAMPLE_NOISE, "torque": 0.2},
)
"""A small, well-conditioned cell with another sweep, sample rate and file style."""


_FIVE, _NA, _CI = TURBO_FIVE, BREATHING_FOUR, DIESEL_FOUR
_REF, _WIDE, _ADV, _DEEP, _STOCK, _AIRBOX, _OIL, _FUEL = _SETUPS

HISTORY = (
    Day(session="T01", date="2025-02-04", cell=BRAKE, engine=_FIVE, run=(_REF,) * 3),
    Day(session="C01", date="2025-02-11", cell=BRAKE, engine=_CI, run=(_STOCK,) * 3),
    Day(session="N01", date="2025-02-20", cell=QUIET, engine=_NA, run=(_STOCK,) * 3),
    Day(session="T02", date="2025-03-06", cell=BRAKE, engine=_FIVE, run=(_REF, _DEEP, _DEEP, _REF)),
    Day(session="N02", date="2025-03-19", cell=QUIET, engine=_NA, run=(_STOCK, _AIRBOX) * 2),
    Day(session="C02", date="2025-04-02", cell=BRAKE, engine=_CI, run=(_STOCK, _FUEL)),
    Day(
        session="T03",
        date="2025-04-16",
        cell=BRAKE,
        engine=_FIVE,
        run=(_REF, _DEEP, _REF),
        labels={2: _REF.name},
    ),
    Day(session="T04", date="2025-05-08", cell=BRAKE, engine=_FIVE, run=(_REF,) * 2),
    Day(session="N03", date="2025-05-21", cell=QUIET, engine=_NA, run=(_STOCK, _OIL) * 5),
    Day(session="C03", date="2025-06-03", cell=BRAKE, engine=_CI, run=(_STOCK,) * 2),
    Day(
        session="T05",
        date="2025-06-24",
        cell=BRAKE,
        engine=_FIVE,
        run=(_REF,) * 2,
        faults={2: Fault(kind="flat_line", channel="charge_temperature", at=0.4)},
    ),
    Day(session="T06", date="2025-07-09", cell=BRAKE, engine=_FIVE, run=(_REF, _ADV, _ADV, _REF)),
    Day(session="N04", date="2025-07-30", cell=QUIET, engine=_NA, run=(_STOCK,) * 2),
    Day(session="T07", date="2025-08-20", cell=BRAKE, engine=_FIVE, run=(_REF,) * 2),
)
"""Fourteen sessions before the study."""

STUDY = Day(
    session="T08",
    date="2025-09-16",
    cell=BRAKE,
    engine=_FIVE,
    run=(_REF, _WIDE, _WIDE, _WIDE, _REF, _REF, _WIDE),
    faults={3: Fault(kind="torque_collapse", at=0.55, severity=0.7)},
    notes={3: "boost hose came off at about 4600 rpm, pull aborted, hose refitted"},
)
"""The study's day: alternating pairs AB BA AB; the third pull is void and was repeated."""

DAYS = (*HISTORY, STUDY)

REFERENCES = ((BRAKE, _FIVE, _REF), (BRAKE, _CI, _STOCK), (QUIET, _NA, _STOCK))
"""Cell, engine and setup whose noise is stated with the truth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A comparison the shop wants answered.

    Args:
        name: Short name.
        session: Session in which both setups were pulled.
        baseline: Setup before.
        candidate: Setup after.
        honest_verdict: The verdict that data of this size and noise support.
    """

    name: str
    session: str
    baseline: str
    candidate: str
    honest_verdict: str


QUESTIONS = (
    Question(
        name="outlet",
        session="T08",
        baseline="outlet-54",
        candidate="outlet-70",
        honest_verdict="gain",
    ),
    Question(
        name="timing",
        session="T06",
        baseline="outlet-54",
        candidate="timing-plus-1",
        honest_verdict="undecided",
    ),
    Question(
        name="oil",
        session="N03",
        baseline="stock",
        candidate="light-oil",
        honest_verdict="no_meaningful_change",
    ),
)
