"""The request on the wire: a flowsheet and the readings taken on it."""

from .common import LONGEST_NOTE, LONGEST_TITLE
from .errors import (
    CauseObject,
    ControlObject,
    ErrorModelObject,
    MaterialObject,
    SamplingObject,
)
from .evidence import EvidenceObject
from .flowsheet import (
    AlikeObject,
    AnalyteObject,
    ClosureObject,
    ComponentObject,
    ContentObject,
    FlowsheetObject,
    LikenessObject,
    NodeObject,
    OrderObject,
    SizesObject,
    StreamObject,
)
from .performance import CareObject, RuleName, SeriesObject, Work
from .readings import (
    CountsObject,
    GrainObject,
    ReadingObject,
    ResultObject,
    StatedError,
    SurveyObject,
)
from .request import MINIMAL_EXAMPLE, BalanceRequest, OptionsObject
from .words import MASS, Cause, Density, Length, Of, Size

__all__ = [
    "LONGEST_NOTE",
    "LONGEST_TITLE",
    "MASS",
    "MINIMAL_EXAMPLE",
    "AlikeObject",
    "AnalyteObject",
    "BalanceRequest",
    "CareObject",
    "Cause",
    "CauseObject",
    "ClosureObject",
    "ComponentObject",
    "ContentObject",
    "ControlObject",
    "CountsObject",
    "Density",
    "ErrorModelObject",
    "EvidenceObject",
    "FlowsheetObject",
    "GrainObject",
    "Length",
    "LikenessObject",
    "MaterialObject",
    "NodeObject",
    "Of",
    "OptionsObject",
    "OrderObject",
    "ReadingObject",
    "ResultObject",
    "RuleName",
    "SamplingObject",
    "SeriesObject",
    "Size",
    "SizesObject",
    "StatedError",
    "StreamObject",
    "SurveyObject",
    "Work",
]
