"""From the balance of a test to the reply in the words of the sheet."""

from __future__ import annotations

from service.balances.reply import Amount, BalanceReply, Share
from service.balances.schemas.words import MASS

from .closure import closures_of, read_of
from .reply import PassFed, PassProduct, PassResult, StreamRole, TestReply
from .terms.beyond import untold_of
from .terms.request import Expanded


class _Told:
    """Looks up what came out for streams and passes."""

    def __init__(self, it: Expanded, balance: BalanceReply) -> None:
        self.it = it
        self.read = read_of(it)
        self.masses = {
            s.name: Amount(value=s.mass.value, sd=s.mass.sd, class_=s.mass.class_, unit=s.mass.unit)
            for s in balance.streams
        }
        self.shares = {
            (split.node, share.stream): share
            for split in balance.splits
            if split.of == MASS and split.size is None
            for share in split.streams
        }

    def roles(self) -> list[StreamRole]:
        """Say what each stream is."""
        runs = [run.name for run in self.it.test.passes]
        return [
            StreamRole(
                stream=flow.name,
                role=flow.role.value,
                lot=flow.lot,
                run=None if flow.run is None else runs[flow.run],
            )
            for flow in self.it.network.flows
        ]

    def run(self, i: int) -> PassResult:
        """Give one pass."""
        wire, outline = self.it.sheet.passes[i], self.it.test.passes[i]
        return PassResult(
            name=outline.name,
            kind=wire.kind,
            settings=wire.settings,
            note=wire.note,
            fed=[self._fed(name) for name in self.it.network.drawn[i]],
            products=[self._product(i, j) for j in range(len(wire.products))],
            closure=[*closures_of(self.it, self.read, i)],
        )

    def _fed(self, name: str) -> PassFed:
        flow = self.it.network.flow(name)
        return PassFed(lot=flow.lot, stream=name, role=flow.role.value, mass=self.masses[name])

    def _product(self, i: int, j: int) -> PassProduct:
        wire, name = self.it.sheet.passes[i].products[j], self.it.test.passes[i].products[j].name
        share = self.shares[self.it.test.passes[i].name, name]
        return PassProduct(
            lot=name,
            stream=name,
            role=self.it.network.flow(name).role.value,
            magnetic=wire.magnetic,
            mass=self.masses[name],
            of_feed=Share(value=share.value, sd=share.sd, class_=share.class_),
            note=wire.note,
        )


def answer(it: Expanded, balance: BalanceReply) -> TestReply:
    """Give the reply to a test that was balanced."""
    told = _Told(it, balance)
    members = {name: getattr(balance, name) for name in BalanceReply.model_fields}
    members["warnings"] = [*balance.warnings, *untold_of(it.sheet, it.network)]
    return TestReply(
        **members,
        sample=it.sheet.sample,
        passes=[told.run(i) for i in range(len(it.test.passes))],
        lots=told.roles(),
        balance_request=it.document,
    )
