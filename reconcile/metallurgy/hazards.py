"""
What in a product may hurt: thorium and uranium by activity, minerals that may carry them, silica.

Activity concentrations follow from mass fractions: ``ln 2 / T · N_A / M`` becquerel per gram of the
nuclide, with its half-life ``T`` and molar mass ``M``.  "Uranium" always means natural uranium, of
which only 99.27 % of the atoms are U-238, as in any assay; taking its ppm for ppm of U-238 would
overstate the activity by 0.7 %.  Chains are taken to be in equilibrium, as they are in minerals
that nothing but physical separation has touched; heat and chemicals may break it.

Nothing here is a licence or a classification: national law and licensed practice come first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from reconcile.balance import Known
from reconcile.flowsheet import SOLIDS
from reconcile.minerals import UnclearAnalyte, UnreadableFormula, content, read_formula

from .amounts import amount_of, amounts_of

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation

AVOGADRO = 6.02214076e23
"""Per mole, exact (SI, 2019)."""

YEAR_S = 365.25 * 86400.0
"""Seconds in the (Julian) year in which half-lives are given."""


@dataclass(frozen=True, slots=True)
class Nuclide:
    """A parent nuclide as it occurs: ``share`` of the atoms of ``element`` (molar mass, g/mol)."""

    name: str
    element: str
    half_life_years: float
    share: float
    molar_mass: float

    @property
    def activity(self) -> float:
        """Activity per gram of the natural element, Bq/g."""
        rate = math.log(2) / (self.half_life_years * YEAR_S)
        return rate * self.share * AVOGADRO / self.molar_mass


TH_232 = Nuclide("Th-232", "Th", 1.405e10, 1.0, 232.0377)
"""Half-life 1.405e10 years (1.402e10 is also in use: 0.2 % more activity); IUPAC atomic weight."""

U_238 = Nuclide("U-238", "U", 4.468e9, 0.992742, 238.02891)
"""In natural uranium; isotopic composition and atomic weight of IUPAC."""

NUCLIDES = (TH_232, U_238)

LEVEL_BQ_G = 1.0
"""
Level of each radionuclide of the uranium and thorium series, Bq/g: IAEA, Radiation protection and
safety of radiation sources, GSR Part 3 (2014), Schedule I, Table I.3; before, RS-G-1.7 (2004).
"""

TRANSPORT_FACTOR = 10.0
"""
Times by which natural material and ores may exceed the exempt concentration (1 Bq/g of natural Th
or U) before the transport regulations apply: IAEA, SSR-6 (Rev. 1, 2018), paragraph 107(f).  Only if
it is not intended to be processed for use of these radionuclides.
"""


class Rule(StrEnum):
    """How nuclides stand beside a level: one by one, or by the sum of their fractions of it."""

    EACH = "each nuclide"
    SUM = "sum of fractions"


CARRYING = {
    "monazite": frozenset({"La", "Ce", "Pr", "Nd", "Sm"}),
    "xenotime": frozenset({"Y"}),
    "zircon": frozenset({"Zr"}),
}
"""Minerals of heavy-mineral concentrates that hold thorium or uranium in their lattice, and the
elements whose assays point to them (common practice, no source)."""

SILICA = frozenset({"quartz", "silica", "cristobalite", "tridymite"})
"""Names of crystalline silica, or of what may be it."""

_CHANCES = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.01, "very unlikely"),
)
_LEAST = "exceptionally unlikely"


def chance_in_words(chance: float) -> str:
    """Say a probability in words: the scale of the IPCC (Mastrandrea et al. 2010, table 1)."""
    return next((words for least, words in _CHANCES if chance >= least), _LEAST)


def share_of_element(element: str, formula: str) -> float:
    """Give the mass fraction of an element in a substance; 0 where the formula does not say."""
    try:
        return content(element, formula)
    except (UnreadableFormula, UnclearAnalyte):
        return 0.0


def carriers(
    element: str,
    analytes: Mapping[str, str],
    assayed: Mapping[str, str],
    minerals: Mapping[str, str],
) -> dict[str, float]:
    """
    Give what an element is to be counted in, and its mass fraction there.

    Each mapping gives formulas by name: of analytes that minerals carry, of components that are
    assayed as they stand, of components that are minerals.  What the laboratory reports stands
    before what a formula makes of a mineral, and one report is enough: ``Th`` beside ``ThO2`` is
    the same thorium.
    """
    for reported in (analytes, assayed):
        found = {name: share_of_element(element, formula) for name, formula in reported.items()}
        held = {name: share for name, share in found.items() if share > 0}
        if held:
            return dict([next(iter(held.items()))])
    found = {name: share_of_element(element, formula) for name, formula in minerals.items()}
    return {name: share for name, share in found.items() if share > 0}


def may_carry(name: str, formula: str | None) -> str | None:
    """Give the mineral with thorium or uranium that a component is, or that it points to."""
    for mineral in CARRYING:
        if mineral in name.lower():
            return mineral
    try:
        atoms = read_formula(formula).atoms if formula else {}
    except UnreadableFormula:
        return None
    return next((m for m, elements in CARRYING.items() if elements & set(atoms)), None)


def is_silica(name: str, formula: str | None) -> bool:
    """Say whether a component is silica, by its name or by being SiO2."""
    if any(word in name.lower().split() for word in SILICA):
        return True
    try:
        return formula is not None and dict(read_formula(formula).atoms) == {"Si": 1.0, "O": 2.0}
    except UnreadableFormula:
        return False


@dataclass(frozen=True, slots=True)
class Below:
    """A result below a ``limit``; ``sd`` is that of a measurement at it, both in one unit."""

    limit: float
    sd: float


def chance_above(known: Known, level: float, below: Below | None = None) -> float | None:
    """
    Give the probability that an amount lies above a level.

    Its error is normal, cut at zero.  A result ``below`` a limit weighs it by the probability that
    such a measurement is not above the limit: the balance's own sd takes no account of it where the
    estimate lies well below.
    """
    if known.value is None or known.sd is None:
        return None
    if known.sd == 0:
        return float(known.value > level)
    if below is None:
        whole = norm.logsf(-known.value / known.sd)
        return float(np.exp(norm.logsf((max(level, 0.0) - known.value) / known.sd) - whole))
    at, weight = _weighed(known.value, known.sd, below)
    return float(weight[at > level].sum())


def held_below(known: Known, below: Below | None) -> Known:
    """Give mean and sd of an amount that was read below a limit, as :func:`chance_above` has it."""
    if below is None or known.value is None or not known.sd:
        return known
    at, weight = _weighed(known.value, known.sd, below)
    mean = float(weight @ at)
    return known._replace(value=mean, sd=float(np.sqrt(weight @ (at - mean) ** 2)))


def _weighed(value: float, sd: float, below: Below) -> tuple[Floats, Floats]:
    """Give values, evenly spread where they are possible, and their probabilities."""
    at = np.linspace(max(value - _FAR * sd, 0.0), max(value, 0.0) + _FAR * sd, _STEPS)
    log = norm.logpdf(at, value, sd) + norm.logcdf((below.limit - at) / below.sd)
    weight = np.exp(log - log.max())
    return at, weight / weight.sum()


_FAR = 10.0
"""Standard deviations beyond which nothing is looked for."""

_STEPS = 4001
"""Places at which a distribution is summed: 200 in a standard deviation."""


@dataclass(frozen=True)
class Activities:
    """
    Activity concentrations of one stream, Bq/g of dry solids, by the name of the nuclide.

    ``together`` is their sum, where all are known: over a level common to them it is the sum of
    fractions of it.
    """

    stream: str
    nuclides: Mapping[str, Known]
    together: Known | None


def activities(
    at: Linearisation, streams: Sequence[str], counted: Mapping[str, Mapping[str, float]]
) -> tuple[Activities, ...]:
    """
    Give the activity concentrations of streams, at the solution of a balance.

    ``counted`` gives for each element what it is counted in (components, analytes) and its mass
    fraction there; nuclides of elements that are counted in nothing are left out.

    Raises ``KeyError`` if a name is none of the flowsheet.
    """
    present = [nuclide for nuclide in NUCLIDES if counted.get(nuclide.element)]
    return tuple(_of_stream(at, stream, present, counted) for stream in streams)


def _of_stream(
    at: Linearisation,
    stream: str,
    nuclides: Sequence[Nuclide],
    counted: Mapping[str, Mapping[str, float]],
) -> Activities:
    sheet = at.solution.plan.model.flowsheet
    terms = [
        (k, name, share * nuclide.activity)
        for k, nuclide in enumerate(nuclides)
        for name, share in counted[nuclide.element].items()
    ]
    of = [amount_of(sheet, SOLIDS), *(amount_of(sheet, name) for _, name, _ in terms)]
    found = amounts_of(at, [((stream,), one) for one in of])
    weights = np.zeros((len(nuclides), len(terms)))
    for column, (k, _, becquerel) in enumerate(terms):
        weights[k, column] = becquerel
    amounts = found.figures(range(1, len(of))).added(weights)
    solids = found.figures([0] * len(nuclides))
    each = amounts.over(solids, found.tiny[0])
    wanted = [each]
    if len(nuclides) == len(NUCLIDES):
        wanted.append(each.added(np.ones((1, len(nuclides)))))
    alone, *sums = found.settled(*wanted)
    known = dict(zip((n.name for n in nuclides), alone, strict=True))
    return Activities(stream, known, sums[0][0] if sums else None)
