"""Simulated engines, cells and shops whose truth is known, to grade every analysis against."""

from __future__ import annotations

from dynostats.simulate.causes import CauseModel, CauseStudies, simulate_causes
from dynostats.simulate.cell import Cell, Session, open_session, quiet_session
from dynostats.simulate.curves import Layout, lay_out, simulate_curves
from dynostats.simulate.day import Day, LabelledPull, simulate_days
from dynostats.simulate.demo import DemoShop, demo_shop
from dynostats.simulate.engine import Cooler, EngineSpec, Turbo
from dynostats.simulate.faults import Fault, apply_fault
from dynostats.simulate.files import write_demo, write_log
from dynostats.simulate.first_comparison import write_first_comparison
from dynostats.simulate.full_load import EngineState, run_engine
from dynostats.simulate.gas import Ambient
from dynostats.simulate.noise import CurveNoise, NoiseShape, shape_noise
from dynostats.simulate.noise_truth import NoiseTruth, find_noise_truth
from dynostats.simulate.pull import simulate_pull
from dynostats.simulate.setup import Setup
from dynostats.simulate.truth import Truth, find_truth

__all__ = [
    "Ambient",
    "CauseModel",
    "CauseStudies",
    "Cell",
    "Cooler",
    "CurveNoise",
    "Day",
    "DemoShop",
    "EngineSpec",
    "EngineState",
    "Fault",
    "LabelledPull",
    "Layout",
    "NoiseShape",
    "NoiseTruth",
    "Session",
    "Setup",
    "Truth",
    "Turbo",
    "apply_fault",
    "demo_shop",
    "find_noise_truth",
    "find_truth",
    "lay_out",
    "open_session",
    "quiet_session",
    "run_engine",
    "shape_noise",
    "simulate_causes",
    "simulate_curves",
    "simulate_days",
    "simulate_pull",
    "write_demo",
    "write_first_comparison",
    "write_log",
]
