"""
Contents, odd formulas, ignition, and what assays cannot tell.

Theoretical contents are in per cent, recomputed apart from this code from the IUPAC standard atomic
weights (abridged to five digits); the second library has weights and a grammar of its own.
"""

from __future__ import annotations

from itertools import combinations

import molmass
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.minerals import (
    Formula,
    UnclearAnalyte,
    UnreadableFormula,
    content,
    ignition_loss,
    in_words,
    oxide_total,
    read_formula,
    resolution,
)

CAREFUL = settings(max_examples=60, deadline=None, derandomize=True, database=None)

CONTENTS = {
    "FeTiO3": {"TiO2": 52.6435, "FeO": 47.3565, "Ti": 31.5519, "Fe": 36.8106},
    "ZrSiO4": {"ZrO2": 67.2224, "SiO2": 32.7776},
    "CePO4": {"Ce2O3": 69.8105, "P2O5": 30.1895},
    "YPO4": {"Y2O3": 61.4026, "P2O5": 38.5974},
    "Fe3Al2Si3O12": {"FeO": 43.3020, "Al2O3": 20.4846, "SiO2": 36.2134},
    "Mg3Al2Si3O12": {"MgO": 29.9940, "Al2O3": 25.2927, "SiO2": 44.7134},
    "Mn3Al2Si3O12": {"MnO": 42.9904, "Al2O3": 20.5972, "SiO2": 36.4125},
    "SnO2": {"Sn": 78.7682},
    "CaWO4": {"WO3": 80.5230, "W": 63.8524},
    "FeWO4": {"WO3": 76.3423},
    "MnWO4": {"WO3": 76.5710},
    "Fe3O4": {"Fe": 72.3596},
    "Fe2O3": {"Fe": 69.9431},
    "FeO(OH)": {"Fe": 62.8524},
    "TiO2": {"Ti": 59.9349},
    "PbS": {"Pb": 86.6004},
    "ZnS": {"Zn": 67.0977},
    "CuFeS2": {"Cu": 34.6279},
    "FeS2": {"S": 53.4489},
    "FeCr2O4": {"Cr2O3": 67.9029},
    "Al2SiO5": {"Al2O3": 62.9216},
    "ZrO2": {"Zr": 74.0322},
    "CaF2": {"F": 48.6672},
    "BaSO4": {"BaO": 65.6972},
}
PAIRS = [(m, a, p) for m, table in CONTENTS.items() for a, p in table.items()]

# --- contents -------------------------------------------------------------------------------


@pytest.mark.parametrize(("mineral", "analyte", "percent"), PAIRS)
def test_contents_are_the_theoretical_ones(mineral: str, analyte: str, percent: float) -> None:
    """Each content is the tabulated one within 0.02 percentage points."""
    assert pytest.approx(percent, abs=0.02) == 100 * content(analyte, mineral)


@pytest.mark.parametrize(("mineral", "analyte"), [(m, a) for m, a, _ in PAIRS])
def test_a_second_library_gives_the_same_contents(mineral: str, analyte: str) -> None:
    """
    Counts and masses of another library, with weights of its own, agree to 5e-5.

    Sulphur varies in nature: its standard weight is the interval 32.059 to 32.076, of which the
    libraries take different points.
    """
    whole, written = molmass.Formula(mineral), molmass.Formula(analyte)
    key = next(symbol for symbol in written.composition() if symbol != "O")
    units = whole.composition()[key].count / written.composition()[key].count

    expected = units * written.mass / whole.mass
    tolerance = 0.5 * (32.076 - 32.059) / 32.059 if "S" in whole.composition() else 5e-5
    assert pytest.approx(expected, rel=tolerance) == content(analyte, mineral)


OXIDES = ["FeO", "TiO2", "Al2O3", "SiO2", "P2O5", "Ce2O3", "K2O", "CaO", "H2O", "CO2", "SO3"]


@CAREFUL
@given(st.lists(st.sampled_from(OXIDES), min_size=1, max_size=5, unique=True), st.data())
def test_a_minerals_own_oxides_make_up_the_whole(oxides: list[str], data: st.DataObject) -> None:
    """Written with the oxides that it is made of, a mineral comes to 100 %."""
    counts = data.draw(st.lists(st.integers(1, 9), min_size=len(oxides), max_size=len(oxides)))
    mineral = "·".join(f"{n}{oxide}" for n, oxide in zip(counts, oxides, strict=True))

    assert pytest.approx(1.0, abs=1e-12) == oxide_total(mineral, oxides)
    assert pytest.approx(1.0, abs=1e-12) == content("+".join(oxides), mineral)


@pytest.mark.parametrize(
    ("mineral", "elements"),
    [
        ("FeTiO3", ("Fe", "Ti", "O")),
        ("Ca5(PO4)3F", ("Ca", "P", "O", "F")),
        ("CaSO4.2H2O", ("Ca", "S", "O", "H")),
        ("O2", ("O",)),
    ],
)
def test_a_minerals_elements_make_up_the_whole(mineral: str, elements: tuple[str, ...]) -> None:
    """Reported as elements, oxygen among them, a mineral comes to 100 %."""
    assert pytest.approx(1.0, abs=1e-12) == oxide_total(mineral, elements)


def test_a_mineral_without_the_element_has_the_content_zero() -> None:
    """Quartz carries no titanium, and oxygen alone does not make an oxide."""
    assert 0.0 == content("TiO2", "SiO2") == content("ZrSiO4", "TiO2")


def test_a_mineral_may_itself_be_the_analyte() -> None:
    """Where all key elements agree, a salt is a fair analyte: calcite is all calcite."""
    assert pytest.approx(1.0) == content("CaCO3", "CaCO3")


@pytest.mark.parametrize(("analyte", "mineral"), [("CaF2", "Ca5(PO4)3F"), ("ZrSiO4", "SiO2")])
def test_an_analyte_with_two_answers_is_refused(analyte: str, mineral: str) -> None:
    """Fluorapatite is five parts fluorite by its calcium and half a part by its fluorine."""
    with pytest.raises(UnclearAnalyte, match="depends on which"):
        content(analyte, mineral)


@pytest.mark.parametrize("analytes", [("FeO", "Fe2O3"), ("FeO+Fe2O3",), ("TiO2", "Ti")])
def test_an_element_is_counted_once(analytes: tuple[str, ...]) -> None:
    """Iron reported both as FeO and as Fe2O3 would be counted twice."""
    with pytest.raises(UnclearAnalyte, match="more than once"):
        oxide_total("FeTiO3", analytes)


# --- oxide totals and ignition ----------------------------------------------------------------

O = 15.999  # noqa: E741 - the symbol of the element
ILMENITE = 55.845 + 47.867 + 3 * O
"""Molar masses in g/mol from the IUPAC standard atomic weights."""


def test_ilmenite_totals_above_100_percent_with_its_iron_as_ferric_oxide() -> None:
    """The excess is half an oxygen atom for each iron atom: 105.3 % in all."""
    total = oxide_total("FeTiO3", ("TiO2", "Fe2O3"))

    assert pytest.approx(1.0527, abs=1e-4) == total
    assert pytest.approx(1 + 0.5 * O / ILMENITE, abs=1e-6) == total


FLUORAPATITE = 5 * 40.078 + 3 * 30.974 + 12 * O + 18.998


def test_a_fluoride_beside_oxides_totals_too_high_by_the_oxygen_it_replaces() -> None:
    """Two fluorine atoms stand where one oxygen atom is counted."""
    total = oxide_total("Ca5(PO4)3F", ("CaO", "P2O5", "F"))

    assert pytest.approx(1 + 0.5 * O / FLUORAPATITE, abs=1e-6) == total


@pytest.mark.parametrize(
    ("mineral", "residue", "loss"),
    [
        ("FeTiO3", ("TiO2", "Fe2O3"), -0.5 * O / ILMENITE),
        ("Fe3O4", ("Fe2O3",), -0.5 * O / (3 * 55.845 + 4 * O)),
        ("FeO(OH)", ("Fe2O3",), 0.5 * (2 * 1.008 + O) / (55.845 + 2 * O + 1.008)),
        ("CaCO3", ("CaO",), (12.011 + 2 * O) / (40.078 + 12.011 + 3 * O)),
        (
            "CaSO4·2H2O",
            ("CaO", "SO3"),
            2 * (2 * 1.008 + O) / (40.078 + 32.06 + 6 * O + 4 * 1.008),
        ),
        ("FeS2", ("Fe2O3",), (2 * 32.06 - 1.5 * O) / (55.845 + 2 * 32.06)),
        ("Zr0.98Hf0.02SiO4", ("ZrO2+HfO2", "SiO2"), 0.0),
    ],
)
def test_ignition_takes_up_oxygen_and_drives_off_gas(
    mineral: str, residue: tuple[str, ...], loss: float
) -> None:
    """Closed forms from atoms gained and lost; a gain is a negative loss."""
    assert pytest.approx(loss, abs=1e-5) == ignition_loss(mineral, residue)


@pytest.mark.parametrize(
    ("mineral", "residue", "named"),
    [
        ("FeTiO3", ("TiO2",), "Fe"),
        ("Ca5(PO4)3F", ("CaO", "P2O5"), "F"),
        ("Ca5(PO4)3F", ("CaO", "P2O5", "F"), "F"),
    ],
)
def test_ignition_is_refused_where_a_formula_does_not_settle_it(
    mineral: str, residue: tuple[str, ...], named: str
) -> None:
    """Metals do not leave as gas, and where fluorine goes is open."""
    with pytest.raises(UnclearAnalyte, match=rf"becomes of {named} "):
        ignition_loss(mineral, residue)


# --- formulas as written ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "atoms"),
    [
        ("CaSO4.2H2O", {"Ca": 1, "S": 1, "O": 6, "H": 4}),
        ("CaSO4·2H2O", {"Ca": 1, "S": 1, "O": 6, "H": 4}),
        ("CaSO4 * 2 H2O", {"Ca": 1, "S": 1, "O": 6, "H": 4}),
        ("CaSO4.0.5H2O", {"Ca": 1, "S": 1, "O": 4.5, "H": 1}),
        ("CaSO4·0.5H2O", {"Ca": 1, "S": 1, "O": 4.5, "H": 1}),
        ("KCl.MgCl2.6H2O", {"K": 1, "Mg": 1, "Cl": 3, "O": 6, "H": 12}),
        ("FeO.TiO2", {"Fe": 1, "Ti": 1, "O": 3}),
        ("3CaO.2SiO2", {"Ca": 3, "Si": 2, "O": 7}),
        ("Al2O3·2SiO2.2H2O", {"Al": 2, "Si": 2, "O": 9, "H": 4}),
        ("Fe0.9Ti1.1O3", {"Fe": 0.9, "Ti": 1.1, "O": 3}),
        ("Fe2.5Ti0.5O4", {"Fe": 2.5, "Ti": 0.5, "O": 4}),
        ("Fe3Ti0.1O3.9", {"Fe": 3, "Ti": 0.1, "O": 3.9}),
        ("(Fe0.6Mg0.4)3Al2(SiO4)3", {"Fe": 1.8, "Mg": 1.2, "Al": 2, "Si": 3, "O": 12}),
        ("Mg[Al(OH)4]2", {"Mg": 1, "Al": 2, "O": 8, "H": 8}),
        ("Al₂SiO₅", {"Al": 2, "Si": 1, "O": 5}),
        (" Fe Ti O3 ", {"Fe": 1, "Ti": 1, "O": 3}),
    ],
)
def test_formulas_are_read_as_engineers_write_them(text: str, atoms: dict[str, float]) -> None:
    """Hydrates, groups, parts, fractions and subscripts; atoms counted by hand."""
    assert pytest.approx(atoms) == dict(read_formula(text).atoms)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("(Fe,Mg)TiO3", "unknown proportions"),
        ("Fe2-xTixO3", "plain number"),
        ("CaSO4.nH2O", "n is no element"),
        ("ilmenite", "no element"),
        ("FETIO3", "no element"),
        ("fetio3", "no element"),
        ("TO2", "T is no element"),
        ("D2O", "D is no element"),
        ("Xx2", "Xx is no element"),
        ("Fe{2+}", "charges"),
        ("Fe+3", "charges"),
        ("50%wt Co // Ti", "no meaning"),
        ("FeTiO3@4.7", "no meaning"),
        ("Fe[56]O", "do not fit"),
        ("Fe(TiO3", "left open"),
        ("Fe)TiO3(", "closed twice"),
        ("Fe()O", "do not fit"),
        ("FeO.", "nothing on one side"),
        (".FeO", "nothing on one side"),
        ("FeO..TiO2", "nothing on one side"),
        ("Al2O3.2SiO2", "decimal point or begin another part"),
        ("Fe.9Ti1.1O3", "needs a digit"),
        ("Fe0O3", "above 0"),
        ("Fe9999999999O", "above 0"),
        ("12", "do not fit"),
        ("Fe" * 200, "longer"),
        ("(" * 90 + "Fe" + ")" * 90, "deep"),
        ("Fe" + "9" * 190, "above 0"),
    ],
)
def test_odd_formulas_are_refused_in_clear_words(text: str, why: str) -> None:
    """What has no definite composition is refused with a reason, never guessed."""
    with pytest.raises(UnreadableFormula, match=why):
        read_formula(text)


def _read(text: str) -> Formula | str:
    """Give the formula, or the reason why there is none."""
    try:
        return read_formula(text)
    except UnreadableFormula as refusal:
        return refusal.why


@settings(CAREFUL, max_examples=400)
@given(st.text(alphabet="FeTiOHCaS()[].·*0123456789+-,x ", max_size=24))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text ends in another error; what is read comes to 100 % of its elements."""
    read = _read(text)

    if isinstance(read, str):
        assert read.endswith(".")
    else:
        assert pytest.approx(1.0) == oxide_total(text, tuple(read.atoms))


# --- what assays cannot tell --------------------------------------------------------------------

MINERALS = ("ilmenite", "rutile", "hematite", "zircon", "quartz")
FORMULAS = ("FeTiO3", "TiO2", "Fe2O3", "ZrSiO4", "SiO2")


def _contents(*analytes: str) -> list[list[float]]:
    return [[content(analyte, mineral) for mineral in FORMULAS] for analyte in analytes]


def test_as_many_independent_analytes_as_minerals_leave_nothing_open() -> None:
    """Two minerals of titanium, and iron that only one of them holds."""
    found = resolution([[content(a, m) for m in ("FeTiO3", "TiO2")] for a in ("TiO2", "Fe2O3")])

    assert 2 == found.rank
    assert () == found.groups
    assert () == in_words(found, ("ilmenite", "rutile"))


def test_ilmenite_looks_like_rutile_with_hematite() -> None:
    """Titanium and iron alone cannot tell a mineral from a mixture of the same elements."""
    found = resolution(_contents("TiO2", "Fe2O3", "ZrO2", "SiO2"))

    assert 4 == found.rank
    assert ((0, 1, 2),) == found.groups
    (mixture,) = found.mixtures.T
    shares = np.array([-1, content("TiO2", "FeTiO3"), content("Fe2O3", "FeTiO3"), 0, 0])
    assert pytest.approx(shares / np.abs(shares).max()) == mixture * np.sign(mixture[1])
    (sentence,) = in_words(found, MINERALS)
    assert all(name in sentence for name in MINERALS[:3])
    assert not any(name in sentence for name in MINERALS[3:])


def test_closure_is_one_more_analyte() -> None:
    """If the minerals make up the whole, the oxygen that iron lacks tells ilmenite."""
    whole = [*_contents("TiO2", "Fe2O3", "ZrO2", "SiO2"), [1.0] * 5]

    assert () == resolution(whole).groups


def test_a_mineral_that_no_analyte_sees_stands_alone() -> None:
    """Without silica, quartz is open and all else as before."""
    found = resolution(_contents("TiO2", "Fe2O3", "ZrO2"))

    assert ((0, 1, 2), (4,)) == found.groups
    assert any("quartz carries none" in sentence for sentence in in_words(found, MINERALS))


def test_no_analyte_tells_nothing_and_no_mineral_leaves_nothing_open() -> None:
    """Empty matrices have their plain answers."""
    assert ((0,), (1,)) == resolution(np.zeros((0, 2))).groups
    assert () == resolution(np.zeros((2, 0))).groups


def test_minerals_of_one_analyte_are_said_to_look_alike() -> None:
    """Rutile and a leucoxene with titanium only differ in how much of it they show."""
    found = resolution([[1.0, 0.8], [0.0, 0.0]])

    assert ((0, 1),) == found.groups
    (sentence,) = in_words(found, ("rutile", "leucoxene"))
    assert sentence.startswith("rutile and leucoxene carry the same analytes")
    assert "0.8 of rutile" in sentence


def test_an_element_and_its_oxide_are_one_analyte() -> None:
    """Ti and TiO2 of the same minerals tell no more than one of them."""
    assert ((0, 1, 2),) == resolution(_contents("TiO2", "Ti", "Fe2O3", "ZrO2", "SiO2")).groups


@pytest.mark.parametrize(("sd", "groups"), [(0.0, ()), (0.001, ()), (0.02, ((0, 1),))])
def test_a_difference_within_its_doubt_tells_nothing(
    sd: float, groups: tuple[tuple[int, ...], ...]
) -> None:
    """Two titanium minerals, 1 % of iron in one of them, known to nothing, 0.1 % and 2 %."""
    contents = [[0.95, 0.94, 0.0], [0.0, 0.01, 0.0], [0.0, 0.0, 0.67]]
    sds = [[0.001] * 3, [sd] * 3, [0.001] * 3]

    assert groups == resolution(contents, sds).groups


def _groups_by_enumeration(matrix: np.ndarray) -> tuple[tuple[int, ...], ...]:
    """Join the smallest dependent sets of columns, found by trying all of them."""
    columns = range(matrix.shape[1])
    smallest: list[set[int]] = []
    for size in range(1, matrix.shape[1] + 1):
        for chosen in combinations(columns, size):
            dependent = np.linalg.matrix_rank(matrix[:, chosen]) < size
            if dependent and not any(known <= set(chosen) for known in smallest):
                smallest.append(set(chosen))
    joined: list[set[int]] = []
    for one in smallest:
        touching = [group for group in joined if group & one]
        joined = [group for group in joined if not group & one] + [one.union(*touching)]
    return tuple(sorted(tuple(sorted(group)) for group in joined))


@CAREFUL
@given(
    st.integers(1, 5).flatmap(
        lambda rows: st.lists(
            st.lists(st.sampled_from([0, 0, 0, 1, 2, 5]), min_size=rows, max_size=rows),
            min_size=1,
            max_size=7,
        )
    ),
    st.integers(-7, 0),
)
def test_groups_are_those_found_by_trying_all_sets(columns: list[list[int]], power: int) -> None:
    """The same groups as by brute force, whether the first analyte is in % or in g/t."""
    matrix = np.array(columns, dtype=float).T
    scaled = matrix * np.where(np.arange(len(matrix)) == 0, 10.0**power, 1.0)[:, None]
    found = resolution(scaled)

    assert _groups_by_enumeration(matrix) == found.groups
    assert np.linalg.matrix_rank(matrix) == found.rank
    assert np.abs(matrix @ found.mixtures).max(initial=0.0) < 1e-9


@pytest.mark.parametrize(
    ("contents", "sds"),
    [([0.5, 0.5], None), ([[np.nan]], None), ([[1.0]], [[-1.0]]), ([[1.0]], [[1.0, 1.0]])],
)
def test_what_is_no_composition_matrix_is_refused(contents: list, sds: list | None) -> None:
    """Wrong shapes, numbers that are none, negative sds."""
    with pytest.raises(ValueError, match="Contents"):
        resolution(contents, sds)
