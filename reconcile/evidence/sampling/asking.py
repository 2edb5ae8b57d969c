"""A question put to a solution: prospects, targets and tested readings as rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from reconcile.kernel.rows import scale_rows
from reconcile.measurands import measurand
from reconcile.rows import measurands_as_ratios, ratios_to_feed

from .outlook import Outlook, outlook_of
from .questions import Detection, Prospect, Question, Target

if TYPE_CHECKING:
    from reconcile.kernel.problem import Bools, Floats, Ints
    from reconcile.linearisation import Linearisation
    from reconcile.model import Model
    from reconcile.readings import Reading


@dataclass(frozen=True)
class Rows:
    """Values (k,) of some figures and their gradients (k, n); ``sure`` (k,) where known."""

    value: Floats
    gradient: sp.csr_array
    sure: Bools


@dataclass(frozen=True)
class Asking:
    """
    One question put to one solution.

    ``counted`` are the positions of the readings that the plan of the solution knows.
    """

    at: Linearisation
    readings: Sequence[Reading]
    counted: Sequence[int]
    question: Question

    @property
    def _model(self) -> Model:
        return self.at.solution.plan.model

    @cached_property
    def _counting(self) -> Bools:
        """Which of the rows in use inform: all but mere expectations."""
        solution = self.at.solution
        informs = np.ones(len(solution.used), dtype=bool)
        informs[[k for k, i in enumerate(self.counted) if i in self.question.expectations]] = False
        return informs[solution.used]

    def _rows(self, value: Floats, gradient: sp.csr_array) -> Rows:
        return Rows(value, gradient, self.at.observable(gradient) & ~np.isnan(value))

    @cached_property
    def prospects(self) -> Rows:
        """What the prospects would read, shared errors included, in the units of the readings."""
        found = self.question.prospects
        ratios = measurands_as_ratios(self._model, [(p.streams, p.of) for p in found])
        value, gradient = self.at.of_ratios(ratios)
        whole = sp.csr_array(gradient + self._causes([p.causes for p in found]))
        return Rows(value, whole, self._rows(value, gradient).sure)

    def _causes(self, causes: Sequence[tuple[tuple[str, float], ...]]) -> sp.csr_array:
        """Give what shared errors add to rows, for those that readings at hand share."""
        known = self._model.common_column
        terms = [
            (row, known[name,], size)
            for row, all_of in enumerate(causes)
            for name, size in all_of
            if (name,) in known
        ]
        rows, columns, sizes = np.array(terms, dtype=np.float64).reshape(-1, 3).T
        where = (rows.astype(np.int64), columns.astype(np.int64))
        return sp.csr_array((sizes, where), shape=(len(causes), self._model.size))

    @cached_property
    def _strange_causes(self) -> Floats:
        """Sizes of shared errors that no reading at hand has, (prospects, causes)."""
        known, found = self._model.common_column, self.question.prospects
        names = dict.fromkeys(n for p in found for n, _ in p.causes if (n,) not in known)
        column = {name: k for k, name in enumerate(names)}
        sizes = np.zeros((len(found), len(column)))
        for row, prospect in enumerate(found):
            for name, size in prospect.causes:
                if name in column:
                    sizes[row, column[name]] += size
        return sizes

    @cached_property
    def own_sds(self) -> Floats:
        """Own sd of each prospect, (prospects,)."""
        pairs = zip(self.question.prospects, self.prospects.value, strict=True)
        return np.array([self._own_sd(p, float(v)) for p, v in pairs], dtype=np.float64)

    def _own_sd(self, prospect: Prospect, expected: float) -> float:
        if prospect.reading is not None:
            return self.readings[prospect.reading].sd * (prospect.narrowed or 1.0)
        return float(np.hypot(prospect.sd, prospect.relative_sd * expected))

    @cached_property
    def usable(self) -> Ints:
        """Positions of the prospects that have a value and an error."""
        return np.flatnonzero(np.isfinite(self.prospects.value) & (self.own_sds > 0))

    @property
    def found(self) -> list[Prospect]:
        """The usable prospects."""
        return [self.question.prospects[i] for i in self.usable]

    @cached_property
    def most(self) -> Ints:
        """How many of each usable prospect may be taken, (usable,)."""
        return np.array([p.most for p in self.found], dtype=np.int64)

    @cached_property
    def _weights(self) -> Floats:
        """
        Root of the information of each usable prospect, (usable,).

        An improvement adds what is gained over the reading as it stands.
        """
        gained = [1.0 if p.narrowed is None else 1 - p.narrowed**2 for p in self.found]
        return np.asarray(np.sqrt(gained) / self.own_sds[self.usable])

    def targets(self) -> Rows:
        """Give the targets."""
        every = [self._target(target) for target in self.question.targets]
        value = np.array([v for v, _ in every], dtype=np.float64)
        return self._rows(value, sp.csr_array(sp.vstack([g for _, g in every], format="csr")))

    def _target(self, target: Target) -> tuple[float, sp.csr_array]:
        """Give value and gradient (1, n) of one; shares of the feed add up over the streams."""
        if target.of_feed:
            ratios = ratios_to_feed(self._model, target.streams, str(target.of))
        else:
            of = measurand(self._model.flowsheet, target.of)
            ratios = measurands_as_ratios(self._model, [(target.streams, of)])
        value, gradient = self.at.of_ratios(ratios)
        together = sp.csr_array(gradient.sum(axis=0)[None, :])
        return float(value.sum()), together

    def tested(self, detection: Detection) -> Rows:
        """Give what the readings tested read, the gradients over their own sds."""
        row_of = {i: k for k, i in enumerate(self.counted)}
        keys = [self.at.solution.plan.keys[row_of[i]] for i in detection.readings]
        ratios = measurands_as_ratios(self._model, [(k.streams, k.of) for k in keys])
        value, gradient = self.at.of_ratios(ratios)
        sds = np.array([self.readings[i].sd for i in detection.readings])
        whole = sp.csr_array(gradient + self._causes([k.causes for k in keys]))
        return self._rows(value, scale_rows(whole, 1 / sds))

    def outlook(self, figures: sp.csr_array) -> Outlook:
        """Give how the usable prospects, each over its own sd, and some figures vary together."""
        kept, budget = self.usable, self.at.solution.plan.budget
        count = len(kept) + figures.shape[0]
        budget.reserve(8e-6 * (self._model.size * count * 3 + 8 * count**2), "the outlook")
        rows = scale_rows(sp.csr_array(self.prospects.gradient[kept]), self._weights)
        both = sp.csr_array(sp.vstack((rows, figures), format="csr"))
        finite, open_ = self.at.joint_spread(both, self._counting)
        strange = self._strange_causes[kept] * self._weights[:, None]
        finite[: len(kept), : len(kept)] += strange @ strange.T
        return outlook_of(finite, open_, len(kept))
