"""
Many tests at once: what is held at the level, and from which size a statistic is significant.

Sidak's inequality holds for two-sided tests of normal statistics however they depend on one
another (Sidak 1967), which is what the tests of one balance are.  The other procedures are those
of Bonferroni, Holm 1979, Benjamini and Hochberg 1995, Benjamini and Yekutieli 2001.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, ndtri

from reconcile.options import Control

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats

_DISCOVERY = (Control.BENJAMINI_HOCHBERG, Control.BENJAMINI_YEKUTIELI)


def two_sided(statistic: Floats) -> Floats:
    """Give the p-values of standard normal statistics, either sign."""
    return np.asarray(np.minimum(2 * np.exp(log_ndtr(-np.abs(statistic))), 1.0))


def threshold(control: Control, level: float, count: int, step: int = 1) -> float:
    """
    Give the p-value up to which the ``step``-th smallest of ``count`` is significant.

    For the procedures that go step by step the steps before have to be significant too.
    """
    if count == 0:
        return 0.0
    if control is Control.SIDAK:
        return float(-np.expm1(np.log1p(-level) / count))
    if control is Control.BONFERRONI:
        return level / count
    if control is Control.HOLM:
        return level / (count - step + 1)
    shared = float((1 / np.arange(1, count + 1)).sum())
    return level * step / count / (shared if control is Control.BENJAMINI_YEKUTIELI else 1.0)


def adjusted(p_values: Floats, control: Control) -> Floats:
    """Give the p-values with all of them taken into account: significant where at most level."""
    count = len(p_values)
    if count == 0:
        return p_values
    if control in _DISCOVERY:
        return _discoveries(p_values, dependent=control is Control.BENJAMINI_YEKUTIELI)
    if control is Control.SIDAK:
        with np.errstate(divide="ignore"):
            return np.asarray(-np.expm1(count * np.log1p(-p_values)))
    if control is Control.BONFERRONI:
        return np.minimum(count * p_values, 1.0)
    order = np.argsort(p_values, kind="stable")
    raised = np.minimum((count - np.arange(count)) * p_values[order], 1.0)
    result = np.empty(count)
    result[order] = np.maximum.accumulate(raised)
    return result


def _discoveries(p_values: Floats, *, dependent: bool) -> Floats:
    """
    Give p-values adjusted for the false discovery rate (Benjamini and Hochberg 1995).

    ``dependent`` for any dependence among them (Benjamini and Yekutieli 2001, theorem 1.3).
    """
    order, step = np.argsort(p_values), np.arange(1, len(p_values) + 1)
    raised = p_values[order] * (len(p_values) / step)
    if dependent:
        raised *= (1 / step).sum()
    result = np.empty(len(p_values))
    result[order] = np.clip(np.minimum.accumulate(raised[::-1])[::-1], 0.0, 1.0)
    return result


def critical(p_values: Floats, control: Control, level: float) -> float:
    """
    Give the size of a two-sided statistic from which it is significant beside all the others.

    For the procedures that go step by step that depends on the p-values met.
    """
    count = len(p_values)
    if control in _DISCOVERY or control is Control.HOLM:
        passed = int((adjusted(p_values, control) <= level).sum())
        step = passed + (control is Control.HOLM)
        return size_of(threshold(control, level, count, min(max(step, 1), count)))
    return size_of(threshold(control, level, count))


def normal_size(p_value: float) -> float:
    """Give what a standard normal variable exceeds with this probability."""
    return 0.0 - float(ndtri(p_value))


def size_of(p_value: float) -> float:
    """Give the size of a two-sided normal statistic that has this p-value."""
    return normal_size(p_value / 2)


def raised(p_value: float, control: Control, count: int, step: int = 1) -> float:
    """Give the ``step``-th smallest of ``count`` p-values with all of them taken into account."""
    if control is Control.SIDAK:
        return float(-np.expm1(count * np.log1p(-p_value))) if p_value < 1 else 1.0
    return min(p_value / threshold(control, 1.0, count, step), 1.0)
