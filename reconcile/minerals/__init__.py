"""What minerals are made of: formulas, contents as any analyte, and what assays cannot tell."""

from .content import UnclearAnalyte, content, ignition_loss, oxide_total
from .formula import Formula, UnreadableFormula, read_formula
from .resolution import Resolution, in_words, resolution

__all__ = [
    "Formula",
    "Resolution",
    "UnclearAnalyte",
    "UnreadableFormula",
    "content",
    "ignition_loss",
    "in_words",
    "oxide_total",
    "read_formula",
    "resolution",
]
