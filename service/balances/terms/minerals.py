"""What minerals carry: contents from formulas and from the caller, as mass fractions."""

from __future__ import annotations

from reconcile.faults import Where
from reconcile.flowsheet import Content
from reconcile.minerals import UnclearAnalyte, UnreadableFormula, content, read_formula
from service.balances.schemas import AnalyteObject, ComponentObject, FlowsheetObject
from service.kit.units import to_fraction

from .ledger import Ledger

_ROOT: Where = ("flowsheet",)


def formula_of(analyte: AnalyteObject) -> str | None:
    """Give what an analyte is reported as; its name, where that reads as a formula."""
    return named_formula(analyte.name) if analyte.formula is None else analyte.formula


def named_formula(name: str) -> str | None:
    """Give a name back if it reads as a formula, or as several joined by plus signs."""
    try:
        for term in name.split("+"):
            read_formula(term)
    except UnreadableFormula:
        return None
    return name


def _readable(formula: str | None, where: Where, ledger: Ledger) -> bool:
    """Say whether a formula can be read, or is not there to be read."""
    try:
        for term in (formula or "H").split("+"):
            read_formula(term)
    except UnreadableFormula as fault:
        mend = "Write one definite composition, such as FeTiO3, or give 'contents'."
        ledger.note((*where, "formula"), "unreadable-formula", f"{fault}", mend)
        return False
    return True


def _by_formula(
    mineral: ComponentObject, analytes: dict[str, str], where: Where, ledger: Ledger
) -> dict[str, Content]:
    if mineral.formula is None or not _readable(mineral.formula, where, ledger):
        return {}
    found = {}
    for name, formula in analytes.items():
        try:
            share = content(formula, mineral.formula)
        except UnclearAnalyte as fault:
            mend = "Give this analyte under 'contents'."
            ledger.note((*where, "formula"), "unclear-analyte", f"{fault}", mend)
            continue
        if share > 0:
            found[name] = Content(share)
    return found


def _by_caller(
    mineral: ComponentObject, names: set[str], where: Where, ledger: Ledger
) -> dict[str, Content]:
    found: dict[str, Content] = {}
    for j, given in enumerate(mineral.contents):
        place = (*where, "contents", j)
        ledger.known((*place, "analyte"), "analyte", given.analyte, sorted(names))
        ledger.note_if(
            given.analyte in found,
            (*place, "analyte"),
            "duplicate-content",
            f"The content of {given.analyte} is given twice.",
            "Give it once.",
        )
        value, sd = (to_fraction(x, given.unit) for x in (given.value, given.sd))
        found[given.analyte] = Content(value, sd)
    return found


def contents_of(sheet: FlowsheetObject, ledger: Ledger) -> dict[str, dict[str, Content]]:
    """
    Give the contents of each mineral, by component and analyte.

    Contents that the caller gives stand before those of the formula.
    """
    before = ledger.count
    formulas = {}
    for i, analyte in enumerate(sheet.analytes):
        formula = formula_of(analyte)
        if formula is not None and _readable(formula, (*_ROOT, "analytes", i), ledger):
            formulas[analyte.name] = formula
    names = {analyte.name for analyte in sheet.analytes}
    contents = {}
    for i, mineral in enumerate(sheet.components):
        where = (*_ROOT, "components", i)
        carried = _by_formula(mineral, formulas, where, ledger)
        carried |= _by_caller(mineral, names, where, ledger)
        if carried:
            contents[mineral.name] = carried
    if ledger.count == before:
        _note_strays(sheet, contents, ledger)
    return contents


def _note_strays(
    sheet: FlowsheetObject, contents: dict[str, dict[str, Content]], ledger: Ledger
) -> None:
    """Take note of analytes that no mineral carries."""
    known = {analyte for mineral in contents.values() for analyte in mineral}
    known |= {component.name for component in sheet.components}
    for i, analyte in enumerate(sheet.analytes):
        ledger.note_if(
            analyte.name not in known,
            (*_ROOT, "analytes", i),
            "analyte-in-no-mineral",
            f"No component carries the analyte '{analyte.name}'.",
            "Give a mineral that carries it a 'formula' or 'contents', or make it a component.",
        )
