"""What is wrong with a test as a list of passes, in its own words."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence

from reconcile.faults import Fault, Where

from .passes import LaboratoryTest, Lot, Pass, Taking, lots, takings

_MOST_LISTED = 20


def pass_label(i: int, run: Pass) -> str:
    """Name a pass as whoever ran it would: by its number, and its name if that says more."""
    plain = f"pass {i + 1}"
    return plain if run.name.casefold() == plain else f"{plain} '{run.name}'"


def label_of(test: LaboratoryTest, made_by: int | None, name: str) -> str:
    """Name a lot with the pass that made it."""
    if made_by is None:
        return f"head '{name}'"
    return f"{pass_label(made_by, test.passes[made_by])}, tray '{name}'"


def faults_of(test: LaboratoryTest) -> list[Fault]:
    """
    Give everything wrong with a test, each fault in its place (``passes``, 2, ``fed``, 0).

    A test without faults has a network in which nothing runs in a circle, since a pass takes only
    what was there before it.
    """
    return [*_of_lists(test), *_of_names(test), *_of_takings(test), *_of_sharing(test)]


def _of_lists(test: LaboratoryTest) -> Iterator[Fault]:
    if not test.heads:
        mend = 'Add one, for example "heads": [{"name": "head", "net": 2500}].'
        yield Fault(("heads",), "no-head", "The test has no head sample.", mend)
    if not test.passes:
        what = "The test has no passes, so nothing was separated."
        yield Fault(("passes",), "no-passes", what, "List the passes in the order of the day.")
    for i, run in enumerate(test.passes):
        label = in_front(pass_label(i, run))
        if not run.fed:
            what = f"{label} does not say what was fed to it."
            mend = "Add 'fed': the name of a head or of a product of an earlier pass."
            yield Fault(("passes", i, "fed"), "nothing-fed", what, mend)
        if not run.products:
            what = f"{label} has no products."
            mend = "List every tray, weighed or not; the balance finds one that was not."
            yield Fault(("passes", i, "products"), "no-products", what, mend)
        elif all(product.is_loss for product in run.products):
            what = f"{label} has nothing but losses."
            yield Fault(("passes", i, "products"), "no-products", what, "List the trays as well.")


def _of_names(test: LaboratoryTest) -> Iterator[Fault]:
    first: dict[str, tuple[Where, int | None]] = {}
    for place, made_by, lot in lots(test):
        if lot.name in first:
            before = label_of(test, first[lot.name][1], lot.name)
            what = f"{in_front(label_of(test, made_by, lot.name))} has the name of {before}."
            mend = "Give every head and every tray a name of its own, such as 'mag 1b'."
            yield Fault((*place, "name"), "duplicate-name", what, mend)
        first.setdefault(lot.name, (place, made_by))
    seen: dict[str, int] = {}
    for i, run in enumerate(test.passes):
        if run.name in seen:
            what = f"Passes {seen[run.name] + 1} and {i + 1} are both called '{run.name}'."
            mend = "Give every pass a name of its own, or none: it then goes by its number."
            yield Fault(("passes", i, "name"), "duplicate-name", what, mend)
        seen.setdefault(run.name, i)


def _of_takings(test: LaboratoryTest) -> Iterator[Fault]:
    """Each lot that was fed is known, there already, and something one can hold."""
    made_by: dict[str, int | None] = {}
    losses = {lot.name for _, _, lot in lots(test) if lot.is_loss}
    for _, run, lot in lots(test):
        made_by.setdefault(lot.name, run)
    for i, j, taking in takings(test):
        where = ("passes", i, "fed", j)
        label, name = in_front(pass_label(i, test.passes[i])), taking.lot
        if name not in made_by:
            yield _unknown(test, where, label, name, i)
            continue
        made = made_by[name]
        if made == i:
            what = f"{label} is fed with '{name}', which it makes itself."
            mend = "Name what went in; what went through a second time is a pass of its own."
            yield Fault(where, "fed-with-own-product", what, mend)
        elif made is not None and made > i:
            later = pass_label(made, test.passes[made])
            what = f"{label} is fed with '{name}', which is only made in {later}."
            mend = "List the passes in the order in which they were run."
            yield Fault(where, "not-made-yet", what, mend)
        elif name in losses:
            what = f"{label} is fed with '{name}', which is a loss: nobody holds it."
            yield Fault(where, "fed-with-loss", what, "Make it a product if it was collected.")


def _unknown(test: LaboratoryTest, where: Where, label: str, name: str, i: int) -> Fault:
    before = [lot.name for _, made, lot in lots(test) if made is None or made < i]
    close = difflib.get_close_matches(name, before, n=1, cutoff=0.6)
    hint = f"Did you mean '{close[0]}'? " if close else ""
    known = ", ".join(before[:_MOST_LISTED]) or "none"
    what = f"{label} is fed with '{name}', which is neither a head nor a product."
    return Fault(where, "unknown-lot", what, f"{hint}There are, before this pass: {known}.")


def _of_sharing(test: LaboratoryTest) -> Iterator[Fault]:
    """A lot is fed once as a whole, or else in parts of which one may take the rest."""
    names = {lot.name for _, _, lot in lots(test)}
    all_known = all(taking.lot in names for _, _, taking in takings(test))
    for place, made_by, lot in lots(test):
        took = [t for t in takings(test) if t[2].lot == lot.name]
        label = in_front(label_of(test, made_by, lot.name))
        if made_by is None and not took and all_known:  # a name misspelt may have meant it
            what = f"{label} was fed to no pass."
            mend = "Name it under 'fed' of the pass that took it, or leave it out."
            yield Fault(place, "head-not-fed", what, mend)
        yield from _of_lot(test, place, lot, label, took)


def _of_lot(
    test: LaboratoryTest,
    place: Where,
    lot: Lot,
    label: str,
    took: Sequence[tuple[int, int, Taking]],
) -> Iterator[Fault]:
    wholes = [t for t in took if not t[2].is_part]
    rests = [t for t in took if t[2].is_part and t[2].takes_rest]
    part = f'{{"of": "{lot.name}", "net": ...}}'
    if wholes and len(took) > 1:
        i, j, _ = next(t for t in took[1:])
        first = pass_label(took[0][0], test.passes[took[0][0]])
        again = pass_label(i, test.passes[i])
        again = f"again to {again}" if i != took[0][0] else "named a second time there"
        what = f"{label} was fed to {first} and is {again}."
        mend = f"Where each took a part of it, write {part}; 'rest' says that nothing was left."
        yield Fault(("passes", i, "fed", j), "fed-twice", what, mend)
    elif len(rests) > 1:
        i, j, _ = rests[1]
        what = f"{label} has two takings of the rest."
        yield Fault(("passes", i, "fed", j, "rest"), "rest-taken-twice", what, "Keep the last.")
    if lot.keeps and wholes:
        what = f"{label} was fed whole, and yet something of it was kept."
        yield Fault((*place, "kept"), "fed-whole-and-kept", what, f"Write {part} under 'fed'.")
    if lot.keeps and rests:
        what = f"{label} has something kept, and yet the rest of it was fed."
        yield Fault((*place, "kept"), "fed-whole-and-kept", what, "Leave 'rest' or 'kept' out.")
    if lot.keeps and not took:
        what = f"{label} was not fed to any pass, so all of it was kept."
        yield Fault(
            (*place, "kept"), "kept-of-nothing-fed", what, "Weigh and assay the tray itself."
        )


def in_front(label: str) -> str:
    """Give a label as it begins a sentence."""
    return label[0].upper() + label[1:]
