"""The next best reading: what further readings would buy, and which to take under a budget."""

from .asking import Asking
from .detection_plan import for_detection
from .precision_plan import for_targets
from .prospects import ErrorsAtHand, is_repeatable, usual_prospects
from .questions import (
    Check,
    Detection,
    Kind,
    Method,
    Precision,
    Promise,
    Prospect,
    Question,
    SamplingPlan,
    Step,
    Target,
    Worth,
)

__all__ = [
    "Asking",
    "Check",
    "Detection",
    "ErrorsAtHand",
    "Kind",
    "Method",
    "Precision",
    "Promise",
    "Prospect",
    "Question",
    "SamplingPlan",
    "Step",
    "Target",
    "Worth",
    "for_detection",
    "for_targets",
    "is_repeatable",
    "usual_prospects",
]
