"""The cautions in words, and the sources of what they say."""

from __future__ import annotations

from collections.abc import Sequence

from service.balances.reply import Caution
from service.balances.schemas import Work

SOURCES = (
    (
        "Level of 1 Bq/g for each radionuclide of the uranium and thorium series: IAEA, Radiation "
        "protection and safety of radiation sources, GSR Part 3 (2014), Schedule I, Table I.3. "
        "Check it against the law in force where you are."
    ),
    (
        "Ten times that for the transport of natural material and ores: IAEA, Regulations for the "
        "safe transport of radioactive material, SSR-6 (Rev. 1, 2018), paragraph 107(f)."
    ),
    (
        "Activities: Th-232 with a half-life of 1.405e10 years makes 4057 Bq per gram of thorium, "
        "U-238 with 4.468e9 years 12347 Bq per gram of natural uranium. Their chains are taken to "
        "be in equilibrium with them, as in minerals that nothing but physical separation has "
        "touched."
    ),
    "Words for probabilities: Mastrandrea et al. (2010), guidance note of the IPCC, table 1.",
)

_BOTH = 2
"""Thorium and uranium."""

_LAW = (
    "National law comes first, and its levels may differ; have this judged by a licensed radiation "
    "safety officer, and measured, before the material is stored, moved, sold or thrown away."
)
_TRANSPORT = (
    "The tenfold level for transport holds only for natural material that is not to be processed "
    "for use of its thorium or uranium: it does not cover monazite that is sold for them."
)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def radioactivity(
    above: Sequence[str],
    unknown: Sequence[str],
    carrying: Sequence[str],
    unfollowed: Sequence[str],
    *,
    known: bool,
) -> str:
    """
    Say what may be radioactive, and what follows.

    ``above`` are streams that may exceed the level, ``unknown`` those of which it is not known what
    is followed, ``unfollowed`` the elements that were not followed at all; ``known`` says whether
    any activity is known.
    """
    said = []
    if carrying:
        said.append(
            f"What was followed points to {' and '.join(carrying)}, which can carry thorium and "
            "uranium; separation concentrates them."
        )
    if above:
        said.append(f"1 Bq/g may be exceeded in {_listed(above)}.")
    elif known:
        said.append("Where activities are known they stay below 1 Bq/g.")
    if unfollowed:
        names = " and ".join(unfollowed)
        verb = "were" if len(unfollowed) == _BOTH else "was"
        said.append(
            f"{names[0].upper()}{names[1:]} {verb} not followed, so nothing is said of it: have it "
            "assayed."
        )
    if unknown:
        said.append(f"Of {_listed(unknown)} not all that was followed is known: assay that too.")
    return " ".join((*said, _LAW, _TRANSPORT))


def silica(streams: Sequence[str], minerals: Sequence[str] | None) -> Caution:
    """Give the caution about silica dust; without minerals it was assayed as an oxide."""
    what = (
        f"hold or may hold {', '.join(minerals)}"
        if minerals
        else "hold SiO2, some of which may be quartz"
    )
    return Caution(
        topic="silica dust",
        streams=list(streams),
        text=f"{_listed(streams)} {what}. Handled dry, it makes respirable crystalline silica, "
        "which scars lungs for life and can cause cancer. Keep it wet or enclosed and extracted, "
        "wear the mask that the local code asks for, and have the air measured.",
    )


_WORK: dict[Work, Caution] = {
    "magnetic": Caution(
        topic="strong magnets",
        streams=[],
        text="Strong magnets stop pacemakers and other implants, crush fingers, and pull in loose "
        "tools of iron. Keep people at risk away, lock out the field before reaching in, and leave "
        "rare-earth assemblies to trained people.",
    ),
    "electrostatic": Caution(
        topic="high voltage",
        streams=[],
        text="Electrostatic separators work at tens of kilovolts. Lock out, earth and discharge "
        "before touching anything; dry fine dust beside sparks can ignite.",
    ),
    "heavy liquid": Caution(
        topic="heavy liquids",
        streams=[],
        text="Heavy liquids may be poisonous to breathe or through the skin, and some decompose on "
        "heating. Follow the safety data sheet: fume cupboard, gloves, and no residue down the "
        "drain.",
    ),
}


def of_work(work: Work) -> Caution:
    """Give the caution of a kind of work."""
    return _WORK[work]


def certificates() -> Caution:
    """Say what the figures are not."""
    return Caution(
        topic="certificates",
        streams=[],
        text="These figures are a balance of what was read. They are no certificate of assay and "
        "no certificate for custody transfer, and replace neither local codes nor licensed "
        "practice.",
    )
