"""Evenlode's engine: reconcile the mass balance of a sampled flowsheet."""

from .balance import (
    ActiveBound,
    Balance,
    Estimate,
    Failure,
    GlobalTest,
    Imbalance,
    Knowledge,
    Known,
    Outcome,
)
from .engine import reconcile_balance
from .faults import Fault, InvalidInput
from .flowsheet import SOLIDS, Flowsheet, Stream
from .options import Options
from .readings import Reading, combined_sd

__all__ = [
    "SOLIDS",
    "ActiveBound",
    "Balance",
    "Estimate",
    "Failure",
    "Fault",
    "Flowsheet",
    "GlobalTest",
    "Imbalance",
    "InvalidInput",
    "Knowledge",
    "Known",
    "Options",
    "Outcome",
    "Reading",
    "Stream",
    "combined_sd",
    "reconcile_balance",
]
