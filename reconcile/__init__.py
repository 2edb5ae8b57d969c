"""Evenlode's engine: reconcile the mass balance of a sampled flowsheet."""

from .balance import (
    ActiveBound,
    Alternative,
    Balance,
    Estimate,
    Failure,
    GlobalTest,
    Imbalance,
    Knowledge,
    Known,
    Outcome,
    Read,
    SharedError,
)
from .engine import reconcile_balance
from .faults import Fault, InvalidInput
from .flowsheet import SIZES, SOLIDS, WATER, Content, Flowsheet, Order, Part, Stream, Whole
from .measurands import Measurand
from .options import Options, Robust
from .readings import Limit, Reading, combined_sd

__all__ = [
    "SIZES",
    "SOLIDS",
    "WATER",
    "ActiveBound",
    "Alternative",
    "Balance",
    "Content",
    "Estimate",
    "Failure",
    "Fault",
    "Flowsheet",
    "GlobalTest",
    "Imbalance",
    "InvalidInput",
    "Knowledge",
    "Known",
    "Limit",
    "Measurand",
    "Options",
    "Order",
    "Outcome",
    "Part",
    "Read",
    "Reading",
    "Robust",
    "SharedError",
    "Stream",
    "Whole",
    "combined_sd",
    "reconcile_balance",
]
