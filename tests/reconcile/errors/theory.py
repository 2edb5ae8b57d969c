"""What robust estimates tend to with many values, by integration: a road the code does not take."""

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq, root
from scipy.stats import norm

K = 1.5


def moment(power: int, location: float, scale: float, wild: float) -> float:
    """Integrate psi to a power over normal errors, a share of them far out on one side."""
    good, _ = quad(
        lambda x: np.clip((x - location) / scale, -K, K) ** power * norm.pdf(x),
        *(-12, 12),
        points=[location - K * scale, location, location + K * scale],
    )
    return (1 - wild) * good + wild * K**power


def proposal_2(wild: float) -> tuple[float, float]:
    """Give the location and scale that a share of wild values leads proposal 2 to."""
    constant = moment(2, 0, 1, 0)
    solution = root(
        lambda at: (moment(1, *at, wild), moment(2, *at, wild) - constant), (0.5, 1.5), tol=1e-9
    )
    location, scale = solution.x
    return float(location), float(scale)


def location_with_mad(wild: float) -> tuple[float, float]:
    """Give Huber's location and the scaled MAD under a share of wild values."""
    good = 1 - wild
    median = float(norm.ppf(0.5 / good))
    deviation = brentq(lambda d: good * (norm.cdf(median + d) - norm.cdf(median - d)) - 0.5, 0.1, 5)
    scale = deviation / float(norm.ppf(0.75))
    return brentq(lambda at: moment(1, at, scale, wild), -5, 5), scale


def scale_of_differences(wild: float) -> float:
    """Give the scale about a known zero under a share of wild differences."""
    constant = moment(2, 0, 1, 0)
    return brentq(lambda scale: moment(2, 0, scale, wild) - constant, 0.5, 9)
