"""How loaded each controller is by the requests of a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wherry.packing.layout import Sweep, WriteRequest
from wherry.plan.addresses import share
from wherry.plan.model import BitWrites, Command, Controller, Framing, Span, Transfer

if TYPE_CHECKING:
    from wherry.checks.rule import Judged

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


@dataclass
class Load:
    """What a plan asks of one controller, per second."""

    controller: Controller
    requests_per_s: float = 0.0
    busy_ns_per_s: float = 0.0
    """Time that the requests take, by response time (declared or assumed) and gap."""
    busy_declared_ns_per_s: float = 0.0
    """The same from what is declared alone."""
    shares: dict[int, float] = field(default_factory=dict)
    transfers: dict[int, Transfer] = field(default_factory=dict)

    def add(self, transfer: Transfer, span: Span, period_ns: int) -> None:
        """One more request in each period, on behalf of a transfer."""
        response = self.controller.response
        gap_ns = self.controller.limits.gap_ns
        registers = span.count / 16 if span.table.is_bits else span.count
        answer_ns = response.fixed_ns + response.per_register_ns * registers
        per_s = NS_PER_S / period_ns
        self.requests_per_s += per_s
        self.busy_ns_per_s += per_s * (answer_ns + gap_ns)
        self.busy_declared_ns_per_s += per_s * (gap_ns + (answer_ns if response.is_declared else 0))
        self.transfers[id(transfer)] = transfer
        self.shares[id(transfer)] = self.shares.get(id(transfer), 0.0) + per_s * (answer_ns + gap_ns)

    def include(self, other: Load) -> None:
        """The load of another unit of the same connection."""
        self.requests_per_s += other.requests_per_s
        self.busy_ns_per_s += other.busy_ns_per_s
        self.busy_declared_ns_per_s += other.busy_declared_ns_per_s
        self.transfers.update(other.transfers)
        for key, share_ns in other.shares.items():
            self.shares[key] = self.shares.get(key, 0.0) + share_ns

    @property
    def _at_a_time(self) -> int:
        # RTU framing has no transaction ids, so one request at a time whatever is declared.
        return 1 if self.controller.framing is Framing.RTU else self.controller.limits.in_flight

    @property
    def utilisation_by_time(self) -> float:
        return self.busy_ns_per_s / NS_PER_S / self._at_a_time

    @property
    def utilisation_by_rate(self) -> float:
        rate = self.controller.limits.requests_per_s
        return self.requests_per_s / rate if rate else 0.0

    @property
    def utilisation(self) -> float:
        return max(self.utilisation_by_time, self.utilisation_by_rate)

    @property
    def utilisation_declared(self) -> float:
        """From what is declared alone: a lower bound that rests on no assumption of ours."""
        return max(self.busy_declared_ns_per_s / NS_PER_S / self._at_a_time, self.utilisation_by_rate)

    @property
    def busy_ms_per_request(self) -> float:
        return self.busy_ns_per_s / self.requests_per_s / NS_PER_MS if self.requests_per_s else 0.0

    @property
    def heaviest(self) -> Transfer:
        """The transfer that asks most of this controller."""
        return self.transfers[max(self.shares, key=lambda key: self.shares[key])]


def requests_for(controller: Controller, write: WriteRequest) -> int:
    """How many requests a write is: a bit that is set without a mask write is read, written and read back."""
    return 3 if write.is_mask and controller.bit_writes is BitWrites.READ_CHANGE_WRITE else 1


def loads(
    sweeps: Sequence[Sweep], controllers: Mapping[str, Controller], commands: Sequence[Command] = ()
) -> list[Load]:
    """The load of every controller that is asked anything, in the order of the controllers.

    Commands count as while one is at work: the request number and the acknowledge are read in each period.
    """
    found = {name: Load(controller) for name, controller in controllers.items()}
    for command in commands:
        transfer = command.as_transfer
        found[command.source].add(transfer, command.request.span, command.period_ns)
        found[command.destination].add(transfer, command.acknowledge.span, command.period_ns)

    for sweep in sweeps:
        readers: dict[int, Transfer] = {}
        for each in sweep.transfers:
            for position in each.reads:
                readers.setdefault(position, each.transfer)
            writes = [*each.writes]
            if each.status_alone is not None and each.status_in is None:
                writes.append(each.status_alone)
            looked_at = [read.span for read in each.verify_reads]
            # A place with a step is read before each write, by itself.
            looked_at += [value.put.span for value in each.transfer.values if value.step is not None]
            for span in looked_at:
                found[each.transfer.destination].add(each.transfer, span, sweep.period_ns)
            for write in writes:
                load = found[each.transfer.destination]
                for _ in range(requests_for(load.controller, write)):
                    load.add(each.transfer, write.span, sweep.period_ns)
        for position, transfer in readers.items():
            for _ in range(sweep.rounds):
                found[sweep.source].add(transfer, sweep.reads[position].span, sweep.period_ns)
        if sweep.guard is not None:
            for _ in range(2):
                found[sweep.source].add(sweep.transfers[0].transfer, sweep.guard.span, sweep.period_ns)
    return [load for load in found.values() if load.shares]


def together(found: Sequence[Load]) -> list[Load]:
    """The loads of the connections that several units share, as if each were one controller."""
    by_name = {load.controller.name: load for load in found}
    result: list[Load] = []
    for group in share([load.controller for load in found]):
        if len(group) < 2:
            continue
        first = group[0]
        limits = replace(
            first.limits,
            in_flight=min(each.limits.in_flight for each in group),
            requests_per_s=min(
                (each.limits.requests_per_s for each in group if each.limits.requests_per_s), default=None
            ),
        )
        name = f"the connection to {first.name} and {len(group) - 1} more"
        whole = Load(replace(first, name=name, limits=limits))
        for each in group:
            whole.include(by_name[each.name])
        result.append(whole)
    return result


def overloaded(judged: Judged) -> list[str]:
    """The controllers of addresses that are asked for more than they can serve, by their response times alone."""
    found = loads(judged.sweeps, judged.controllers, judged.plan.commands)
    over = {address_of(each.controller) for each in [*found, *together(found)] if each.utilisation > 1}
    return [each.controller.name for each in found if address_of(each.controller) in over]


def address_of(controller: Controller) -> tuple[str, int, Framing]:
    """What the units of one address have in common."""
    return controller.host.lower(), controller.port, controller.framing
