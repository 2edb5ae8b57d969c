"""What must hold for any flowsheet, readings and errors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reconcile import Flowsheet, Reading, Stream, reconcile_balance
from reconcile.balance import Balance, Knowledge, Outcome
from tests.comparison import CLOSED, differences, items, objective
from tests.flowsheets import Circuit, Sampling, exact, random_circuit

CAREFUL = settings(max_examples=25, deadline=None, derandomize=True, database=None)


@st.composite
def circuits(draw: st.DrawFn, *, least: int = 0, most: int = 3) -> Circuit:
    """Draw a small circuit with errors a laboratory would be content with."""
    return random_circuit(
        draw(st.integers(0, 10**6)),
        streams=draw(st.integers(3, 14)),
        components=draw(st.integers(least, most)),
        sampling=Sampling(
            missing=draw(st.sampled_from([0.0, 0.2, 0.4])),
            masses=draw(st.booleans()) or least == 0,
        ),
    )


def balanced(flowsheet: Flowsheet, readings: tuple[Reading, ...]) -> Balance:
    """Reconcile and insist on a balance."""
    balance = reconcile_balance(flowsheet, readings)
    assert balance.outcome in CLOSED, balance.failure
    assert balance.test is not None
    return balance


def _imbalance(flowsheet: Flowsheet, amounts: dict[str, float | None]) -> float:
    """Give the worst relative imbalance over nodes whose streams are all known."""
    worst = 0.0
    for node in flowsheet.nodes:
        inflow = [amounts[s.name] for s in flowsheet.streams if s.target == node]
        outflow = [amounts[s.name] for s in flowsheet.streams if s.source == node]
        if None not in inflow + outflow:
            total = math.fsum(v for v in inflow if v is not None)
            gap = total - math.fsum(v for v in outflow if v is not None)
            worst = max(worst, abs(gap) / total if total else abs(gap))
    return worst


@CAREFUL
@given(circuits())
def test_every_quantity_closes_at_every_node(circuit: Circuit):
    """Solids and components close to 1e-9 of their own throughput, recounted here."""
    balance = balanced(circuit.flowsheet, circuit.readings)

    assert _imbalance(circuit.flowsheet, {s: e.value for s, e in balance.masses.items()}) < 1e-9
    for component in circuit.flowsheet.components:
        amounts = {
            s.name: balance.component_masses[s.name, component].value
            for s in circuit.flowsheet.streams
        }
        assert _imbalance(circuit.flowsheet, amounts) < 1e-9
    assert all(abs(i.relative) <= 1e-9 for i in balance.closure)


@CAREFUL
@given(circuits(least=1))
def test_every_value_keeps_its_bounds(circuit: Circuit):
    """No mass is negative, no assay leaves 0 to 100 %, not even by rounding."""
    balance = balanced(circuit.flowsheet, circuit.readings)

    assert all(e.value is None or e.value >= 0 for e in balance.masses.values())
    assert all(e.value is None or 0 <= e.value <= 1 for e in balance.assays.values())
    assert all(k.value is None or k.value >= 0 for k in balance.component_masses.values())


@CAREFUL
@given(circuits(), st.randoms(use_true_random=False))
def test_the_order_of_the_input_does_not_matter(circuit: Circuit, random):
    """Nodes, streams, components and readings may come in any order."""
    sheet = circuit.flowsheet
    shuffled = [
        random.sample(part, len(part))
        for part in (
            list(sheet.nodes),
            list(sheet.streams),
            list(sheet.components),
            list(circuit.readings),
        )
    ]
    nodes, streams, components, readings = (tuple(part) for part in shuffled)

    first = balanced(sheet, circuit.readings)
    second = balanced(Flowsheet(nodes, streams, components), readings)

    assert differences(items(first), items(second)) == []
    assert second.test.statistic == pytest.approx(first.test.statistic, rel=1e-8, abs=1e-12)
    assert second.test.degrees_of_freedom == first.test.degrees_of_freedom


@CAREFUL
@given(circuits(), st.sampled_from([1e-6, 1e-3, 0.45359237, 1e3, 1e6]))
def test_the_unit_of_mass_changes_nothing_but_units(circuit: Circuit, unit: float):
    """Grams for kilograms: masses and their sds scale; assays, ratios and test stay."""
    readings = tuple(
        replace(r, value=r.value * unit, sd=r.sd * unit) if r.of == "mass" else r
        for r in circuit.readings
    )

    first = balanced(circuit.flowsheet, circuit.readings)
    second = balanced(circuit.flowsheet, readings)

    scaled = {
        key: item._replace(
            value=None if item.value is None else item.value / unit,
            sd=None if item.sd is None else item.sd / unit,
        )
        if "mass" in key[0]
        else item
        for key, item in items(second).items()
    }
    assert differences(items(first), scaled) == []
    assert second.test.statistic == pytest.approx(first.test.statistic, rel=1e-8, abs=1e-12)


@CAREFUL
@given(circuits(), st.floats(0.01, 100.0))
def test_a_common_factor_on_all_errors_leaves_the_values(circuit: Circuit, factor: float):
    """Scaling every sd by k: values stay, posterior sds times k, statistic over k squared."""
    readings = tuple(replace(r, sd=r.sd * factor) for r in circuit.readings)

    first = balanced(circuit.flowsheet, circuit.readings)
    second = balanced(circuit.flowsheet, readings)

    scaled = {
        key: item._replace(sd=None if item.sd is None else item.sd / factor)
        for key, item in items(second).items()
    }
    assert differences(items(first), scaled) == []
    assert second.test.statistic * factor**2 == pytest.approx(
        first.test.statistic, rel=1e-7, abs=1e-10
    )


@CAREFUL
@given(circuits())
def test_exact_readings_come_back_unchanged(circuit: Circuit):
    """Readings that close already need no adjustment: objective 0, every known value the truth."""
    truth = exact(circuit)

    balance = balanced(truth.flowsheet, truth.readings)

    assert objective(balance, truth.readings) < 1e-15
    assert balance.test.statistic < 1e-15
    has_mass = any(e.value is not None for e in balance.masses.values())
    for s, stream in enumerate(truth.flowsheet.streams):
        if (mass := balance.masses[stream.name].value) is not None and has_mass:
            assert mass == pytest.approx(truth.truth[s, 0], rel=1e-8)
        for c, component in enumerate(truth.flowsheet.components):
            if (assay := balance.assays[stream.name, component].value) is not None:
                assert assay == pytest.approx(truth.fractions[s, c], rel=1e-7)


@CAREFUL
@given(circuits())
def test_splitting_an_end_product_changes_nothing_before_it(circuit: Circuit):
    """A product that goes on to an unmeasured splitter keeps all that was known about it."""
    sheet = circuit.flowsheet
    product = next(s for s in sheet.streams if s.target is None)
    longer = Flowsheet(
        (*sheet.nodes, "splitter"),
        (
            *(replace(s, target="splitter") if s is product else s for s in sheet.streams),
            Stream("left", "splitter", None),
            Stream("right", "splitter", None),
        ),
        sheet.components,
    )

    first = balanced(sheet, circuit.readings)
    second = balanced(longer, circuit.readings)

    assert differences(items(first), items(second)) == []
    assert second.test.degrees_of_freedom == first.test.degrees_of_freedom
    assert second.test.statistic == pytest.approx(first.test.statistic, rel=1e-7, abs=1e-10)
    for name in ("left", "right"):
        zero = first.masses[product.name].value == 0.0
        assert zero or second.masses[name].knowledge is Knowledge.UNOBSERVABLE


@CAREFUL
@given(circuits())
def test_an_unmeasured_dangling_product_never_adds_knowledge(circuit: Circuit):
    """A leak at a node can only relax: statistic and freedom do not rise, unknowns stay so."""
    sheet = circuit.flowsheet
    leaking = replace(sheet, streams=(*sheet.streams, Stream("leak", sheet.nodes[0], None)))

    first = balanced(sheet, circuit.readings)
    second = balanced(leaking, circuit.readings)

    assert second.test.statistic <= first.test.statistic * (1 + 1e-8) + 1e-9
    assert second.test.degrees_of_freedom <= first.test.degrees_of_freedom
    assume(second.outcome is Outcome.CLOSED)
    unknown = {Knowledge.UNOBSERVABLE}
    gained = [
        key
        for key, item in items(first, of_the_feed=False).items()
        if item.knowledge in unknown and items(second)[key].knowledge not in unknown
    ]
    assert gained == []


@CAREFUL
@given(circuits(least=1))
def test_a_component_that_nobody_assayed_changes_nothing(circuit: Circuit):
    """An unmeasured component is unobservable everywhere and leaves the rest alone."""
    sheet = circuit.flowsheet
    wider = replace(sheet, components=(*sheet.components, "unread"))

    first = balanced(sheet, circuit.readings)
    second = balanced(wider, circuit.readings)

    assert differences(items(first), items(second)) == []
    assert second.test.degrees_of_freedom == first.test.degrees_of_freedom
    for stream in sheet.streams:
        if second.masses[stream.name].value != 0.0:
            assert second.assays[stream.name, "unread"].knowledge is Knowledge.UNOBSERVABLE


@CAREFUL
@given(circuits(least=1))
def test_an_infinite_error_counts_as_no_reading(circuit: Circuit):
    """A reading with infinite sd and no reading at all give the same balance."""
    rng = np.random.default_rng(len(circuit.readings))
    doubtful = rng.random(len(circuit.readings)) < 0.2
    assume(not doubtful.all())
    kept = tuple(r for r, d in zip(circuit.readings, doubtful, strict=True) if not d)
    blunt = tuple(
        replace(r, value=0.5, sd=math.inf) if d else r
        for r, d in zip(circuit.readings, doubtful, strict=True)
    )

    first = balanced(circuit.flowsheet, kept)
    second = balanced(circuit.flowsheet, blunt)

    assert differences(items(first), items(second), classes=False) == []
    assert second.test.degrees_of_freedom == first.test.degrees_of_freedom


@CAREFUL
@given(circuits(least=2, most=2), circuits(least=2, most=2))
def test_disconnected_parts_do_not_affect_one_another(left: Circuit, right: Circuit):
    """Two circuits in one request give what each gives alone; statistic and freedom add."""
    both = Flowsheet(
        (*(f"L {n}" for n in left.flowsheet.nodes), *(f"R {n}" for n in right.flowsheet.nodes)),
        tuple(
            Stream(
                f"{side} {s.name}",
                s.source and f"{side} {s.source}",
                s.target and f"{side} {s.target}",
            )
            for side, circuit in (("L", left), ("R", right))
            for s in circuit.flowsheet.streams
        ),
        left.flowsheet.components,
    )
    readings = tuple(
        replace(r, stream=f"{side} {r.stream}")
        for side, circuit in (("L", left), ("R", right))
        for r in circuit.readings
    )

    together = balanced(both, readings)
    alone = {"L": balanced(left.flowsheet, left.readings)}
    alone["R"] = balanced(right.flowsheet, right.readings)

    for side, balance in alone.items():
        expected = {
            (key[0], f"{side} {key[1]}", *key[2:]): item
            for key, item in items(balance, of_the_feed=False).items()
        }
        assert differences(expected, items(together)) == []
    assert together.test.statistic == pytest.approx(
        sum(b.test.statistic for b in alone.values()), rel=1e-8, abs=1e-12
    )
    assert together.test.degrees_of_freedom == sum(
        b.test.degrees_of_freedom for b in alone.values()
    )
