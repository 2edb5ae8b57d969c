"""The test sheet on the wire: heads, passes, and what was weighed and assayed of each tray."""

from .errors import ApartObject, ErrorsObject, SplittingErrorObject, WeighingErrorObject
from .passes import KINDS, FedObject, PassObject, ProductObject
from .settings import SettingsObject
from .sheet import MINIMAL_SHEET, HeadObject, SampleObject, TareObject, TestSheet
from .weights import (
    AssayEntry,
    LossObject,
    LotObject,
    SizedLotObject,
    TareEntryObject,
    WeighingObject,
)

__all__ = [
    "KINDS",
    "MINIMAL_SHEET",
    "ApartObject",
    "AssayEntry",
    "ErrorsObject",
    "FedObject",
    "HeadObject",
    "LossObject",
    "LotObject",
    "PassObject",
    "ProductObject",
    "SampleObject",
    "SettingsObject",
    "SizedLotObject",
    "SplittingErrorObject",
    "TareEntryObject",
    "TareObject",
    "TestSheet",
    "WeighingErrorObject",
    "WeighingObject",
]
