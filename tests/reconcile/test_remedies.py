"""
What to read for what is unknown, proven by taking the readings.

Every set offered is added to the readings and reconciled anew; every smaller set is tried as well.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import cached_property

import pytest

from reconcile import SOLIDS, Flowsheet, Knowledge, Outcome, Reading, reconcile_balance
from reconcile.balance import Balance, Candidate, Estimate, Known, Remedy, Wanted
from reconcile.measurands import Measurand, assay, moisture, size_fraction, solids, wet_mass
from tests.flowsheets import Circuit, Sampling, exact, random_circuit, separator

UNKNOWN = {Knowledge.UNOBSERVABLE}


def item(balance: Balance, wanted: Wanted) -> Estimate | Known:
    """Give what a balance says of a quantity."""
    if wanted.kind == "mass":
        return balance.masses[wanted.stream]
    source = balance.assays if wanted.kind == "assay" else balance.recoveries
    return source[wanted.stream, wanted.of]


@dataclass(frozen=True)
class Case:
    """A flowsheet, what was read of it, and what further readings would read."""

    flowsheet: Flowsheet
    readings: tuple[Reading, ...]
    truth: dict[tuple[str, Measurand], float]

    @cached_property
    def balance(self) -> Balance:
        """Reconcile what was read."""
        return reconcile_balance(self.flowsheet, self.readings)

    def knows(self, further: tuple[Candidate, ...], wanted: Wanted) -> bool:
        """Say whether a quantity is known once further readings are taken."""
        added = [
            Reading(c.stream, c.of, value := self.truth[c.stream, c.of], 0.01 * value)
            for c in further
        ]
        balance = reconcile_balance(self.flowsheet, [*self.readings, *added])
        assert Outcome.CLOSED is balance.outcome
        return item(balance, wanted).knowledge not in UNKNOWN

    @property
    def candidates(self) -> list[Candidate]:
        """Give everything that could be read and was not."""
        read = {(r.stream, r.of) for r in self.readings}
        words = {solids(): SOLIDS} | {assay(c): c for c in self.flowsheet.components}
        return [
            Candidate(stream, of)
            for stream, of in self.truth
            if (stream, of) not in read and (stream, words.get(of)) not in read
        ]


def circuit_case(seed: int) -> Case:
    """Draw a small circuit of which six in ten readings are missing, read exactly."""
    circuit = exact(random_circuit(seed, streams=6, components=1, sampling=Sampling(missing=0.6)))
    component = circuit.flowsheet.components[0]
    truth = {}
    for i, stream in enumerate(circuit.flowsheet.streams):
        truth[stream.name, solids()] = float(circuit.truth[i, 0])
        truth[stream.name, assay(component)] = float(circuit.fractions[i, 0])
    return Case(circuit.flowsheet, circuit.readings, truth)


SEEDS = (4, 16, 17)
"""Circuits with sets of one, two, three and four readings."""


def everything_unknown(case: Case) -> set[Wanted]:
    """Give every unknown mass, assay and recovery to a product."""
    sheet, found = case.flowsheet, case.balance
    wanted = [Wanted("mass", s, SOLIDS) for s in found.masses]
    wanted += [Wanted("assay", s, c) for s, c in found.assays]
    wanted += [Wanted("recovery", s.name, c) for s in sheet.products for c in sheet.components]
    return {w for w in wanted if item(found, w).knowledge in UNKNOWN}


@pytest.mark.parametrize("seed", SEEDS)
def test_each_set_makes_its_quantities_known(seed: int) -> None:
    """Each set is enough by itself for all the quantities that it is given for."""
    case = circuit_case(seed)

    assert case.balance.remedies
    for remedy in case.balance.remedies:
        for chosen in remedy.sets:
            assert [w for w in remedy.wanted if not case.knows(chosen, w)] == []


@pytest.mark.parametrize("seed", SEEDS)
def test_every_unknown_quantity_has_a_remedy(seed: int) -> None:
    """All masses and assays could be read, so nothing is beyond remedy; known ones need none."""
    case = circuit_case(seed)

    assert everything_unknown(case) == {w for r in case.balance.remedies for w in r.wanted}


def _smaller(case: Case, remedy: Remedy) -> list[tuple[Candidate, ...]]:
    """Give the sets of fewer readings (one or two) that are enough after all."""
    size = min(*(len(s) for s in remedy.sets), 3)
    tried = (
        chosen for k in range(1, size) for chosen in itertools.combinations(case.candidates, k)
    )
    return [chosen for chosen in tried if case.knows(chosen, remedy.wanted[0])]


@pytest.mark.parametrize("seed", SEEDS)
def test_no_smaller_set_is_enough(seed: int) -> None:
    """Every single reading and every pair is tried where the sets are larger."""
    case = circuit_case(seed)

    for remedy in case.balance.remedies:
        assert _smaller(case, remedy) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_of_a_set_can_be_left_out(seed: int) -> None:
    """Without any one of its readings a set is not enough."""
    case = circuit_case(seed)

    for remedy in case.balance.remedies:
        for chosen in remedy.sets:
            for left in itertools.combinations(chosen, len(chosen) - 1):
                assert not case.knows(left, remedy.wanted[0])


@pytest.mark.parametrize("seed", [16, 35])
def test_all_sets_of_the_smallest_size_are_given(seed: int) -> None:
    """Brute force finds the same singles and pairs, up to the eight that are listed."""
    case = circuit_case(seed)

    for remedy in case.balance.remedies:
        size = len(remedy.sets[0])
        assert {size} == {len(s) for s in remedy.sets}
        if size > 2 or len(remedy.sets) == 8:
            continue
        enough = {
            frozenset(c)
            for c in itertools.combinations(case.candidates, size)
            if case.knows(c, remedy.wanted[0])
        }
        assert enough == {frozenset(s) for s in remedy.sets}


def test_beyond_three_readings_the_set_is_said_not_to_be_proven_smallest() -> None:
    """Sets up to three are exact; a larger one is only free of anything needless."""
    sizes = {
        (len(r.sets[0]), r.exact)
        for seed in (5, 17, 20)
        for r in circuit_case(seed).balance.remedies
    }

    assert {True} == {exact_ for size, exact_ in sizes if size <= 3}
    assert {False} == {exact_ for size, exact_ in sizes if size > 3}
    assert {1, 3, 4} <= {size for size, _ in sizes}


@pytest.mark.study
@pytest.mark.parametrize("seed", [5, 17, 19])
def test_no_three_readings_are_enough_where_four_are_offered(seed: int) -> None:
    """All triples are tried where no set of up to three was found."""
    case = circuit_case(seed)

    larger = [r for r in case.balance.remedies if not r.exact]

    assert larger
    for remedy in larger:
        for chosen in itertools.combinations(case.candidates, 3):
            assert not case.knows(chosen, remedy.wanted[0])


# --- by hand --------------------------------------------------------------------------------


def test_a_separator_with_one_mass_needs_another_or_three_assays() -> None:
    """
    Feed weighed: the concentrate's mass by weighing either product, nothing less.

    With feed and concentrate assayed too, the tailing's assay is as good (two-product formula).
    """
    sheet = separator(("Sn",))
    weighed = [Reading("feed", "mass", 100.0, 1.0)]
    assayed = [Reading("feed", "Sn", 0.2, 0.01), Reading("concentrate", "Sn", 0.5, 0.01)]

    def sets(readings: list[Reading]) -> set[frozenset[tuple[str, str]]]:
        remedies = reconcile_balance(sheet, readings).remedies
        mass = next(r for r in remedies if Wanted("mass", "concentrate", SOLIDS) in r.wanted)
        return {frozenset((c.stream, c.of.name) for c in s) for s in mass.sets}

    products = {frozenset({(s, "mass")}) for s in ("concentrate", "tailing")}
    assert products == sets(weighed)
    assert products | {frozenset({("tailing", "Sn")})} == sets([*weighed, *assayed])


def test_where_nothing_is_unknown_nothing_is_offered() -> None:
    """Two of three masses: the third follows, and there is nothing to remedy."""
    readings = [Reading("feed", "mass", 100.0, 1.0), Reading("tailing", "mass", 60.0, 1.0)]

    assert () == reconcile_balance(separator(), readings).remedies


def test_water_and_sizes_are_among_the_readings_offered() -> None:
    """
    A wet mass alone wants a moisture; a class grade wants what it is a part of.

    Each set is proven by taking it, as above.
    """
    sheet = replace(separator(("Sn",)), water=True, classes=("coarse", "fine"), sized=("Sn",))
    readings = (
        Reading("feed", wet_mass(), 110.0, 1.0),
        Reading("feed", assay("Sn", ("coarse",)), 0.2, 0.01),
        Reading("feed", assay("Sn", ("fine",)), 0.4, 0.01),
    )
    coarse, fine = size_fraction(("coarse",)), size_fraction(("fine",))
    truth = {
        ("feed", solids()): 100.0,
        ("feed", moisture()): 10 / 110,
        ("feed", coarse): 0.3,
        ("feed", fine): 0.7,
        ("feed", assay("Sn")): 0.34,
    }
    case = Case(sheet, readings, truth)
    mass, bulk = Wanted("mass", "feed", SOLIDS), Wanted("assay", "feed", "Sn")

    found = {
        w: {s for s in r.sets if {c.stream for c in s} == {"feed"}}
        for r in case.balance.remedies
        for w in r.wanted
        if w in (mass, bulk)
    }

    assert {Candidate("feed", solids()), Candidate("feed", moisture())} == {
        c for s in found[mass] for c in s
    }
    assert {Candidate("feed", coarse), Candidate("feed", fine), Candidate("feed", assay("Sn"))} == {
        c for s in found[bulk] for c in s
    }
    for wanted, sets in found.items():
        assert all(len(s) == 1 and case.knows(s, wanted) for s in sets)


# --- readings that nothing checks -----------------------------------------------------------


def test_a_reading_that_nothing_checks_may_be_anything() -> None:
    """
    Moving a nonredundant reading by half a sd moves no statistic, moving a redundant one does.

    Its standardised adjustment is not given.  Both kinds occur in these circuits.
    """
    met = set()
    for seed in (0, 1, 5, 9, 26):
        circuit = random_circuit(seed, streams=7, components=1, sampling=Sampling(missing=0.35))
        balance = reconcile_balance(circuit.flowsheet, circuit.readings)
        assert Outcome.CLOSED is balance.outcome
        for i, read in enumerate(balance.readings):
            checked = _is_checked(circuit, balance, i)
            met.add(checked)
            assert checked == (read.knowledge is Knowledge.REDUNDANT)
            assert (read.standardised is None) == (not checked)

    assert {True, False} == met


def _is_checked(circuit: Circuit, balance: Balance, i: int) -> bool:
    """Say whether moving one reading moves the statistic."""
    readings = list(circuit.readings)
    readings[i] = replace(readings[i], value=readings[i].value + 0.5 * readings[i].sd)
    moved = reconcile_balance(circuit.flowsheet, readings).test
    assert moved is not None
    assert balance.test is not None
    return not math.isclose(moved.statistic, balance.test.statistic, abs_tol=1e-7)
