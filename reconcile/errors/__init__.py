"""
Where the standard deviation of a reading comes from.

Replicates, sampling theory, printed digits, control samples, or how laboratories differ at large:
each gives a figure with its source, and `SdParts` joins them for one reading.  Pure arithmetic;
units are the caller's, as each function says.
"""

from .checks import UnusableErrorInput
from .contributions import (
    detection_floor,
    from_bias,
    from_interlaboratory,
    from_pool,
    from_precision,
    from_replicates,
    from_sampling,
    rounding_floor,
    stated,
)
from .control import (
    Bias,
    Blank,
    Control,
    Precision,
    batch_bias,
    blank_level,
    precision_from_duplicates,
)
from .interlaboratory import (
    horwitz_relative_sd,
    horwitz_sd,
    thompson_relative_sd,
    thompson_sd,
)
from .model import Contribution, ErrorModel, SdParts, Source, Stage
from .printed import detection_sd, rounding_sd, step_of, step_of_decimals
from .replicates import Centre, Pool, duplicates_sd, mean_of, pooled_sd
from .robust import huber_location, huber_proposal_2, robust_pooled_sd, scaled_mad
from .sampling import Material, sample_mass_for, sampling_relative_sd

__all__ = [
    "Bias",
    "Blank",
    "Centre",
    "Contribution",
    "Control",
    "ErrorModel",
    "Material",
    "Pool",
    "Precision",
    "SdParts",
    "Source",
    "Stage",
    "UnusableErrorInput",
    "batch_bias",
    "blank_level",
    "detection_floor",
    "detection_sd",
    "duplicates_sd",
    "from_bias",
    "from_interlaboratory",
    "from_pool",
    "from_precision",
    "from_replicates",
    "from_sampling",
    "horwitz_relative_sd",
    "horwitz_sd",
    "huber_location",
    "huber_proposal_2",
    "mean_of",
    "pooled_sd",
    "precision_from_duplicates",
    "robust_pooled_sd",
    "rounding_floor",
    "rounding_sd",
    "sample_mass_for",
    "sampling_relative_sd",
    "scaled_mad",
    "stated",
    "step_of",
    "step_of_decimals",
    "thompson_relative_sd",
    "thompson_sd",
]
