"""From the plan to what the engine works with: prepared requests, compiled conversions, carries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from random import Random

from wherry.clock import LoopClock
from wherry.engine.carry import Carry
from wherry.engine.change import changes_of
from wherry.engine.line import Line
from wherry.engine.link import Link
from wherry.engine.link_limits import budgets_of
from wherry.engine.reading import Cutter
from wherry.engine.receiving import receiving_of
from wherry.engine.verification import Tell
from wherry.engine.writes import WriteTemplate
from wherry.packing.layout import ReadRequest, Sweep
from wherry.plan.addresses import share
from wherry.plan.model import Controller, OnLoss, Table, Transfer, Value
from wherry.protocol.pdu import ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters, Request
from wherry.protocol.session import Prepared, prepare
from wherry.transports.network import Network
from wherry.values.conversion import Conversion, Rules
from wherry.values.quality import Quality, Reason
from wherry.values.scaling import line_of
from wherry.values.units import line_to_put

_READS: Mapping[Table, Callable[[int, int], Request]] = {
    Table.COIL: ReadCoils,
    Table.DISCRETE: ReadDiscreteInputs,
    Table.INPUT: ReadInputRegisters,
    Table.HOLDING: ReadHoldingRegisters,
}


def prepare_read(controller: Controller, request: ReadRequest) -> Prepared:
    """A read request of the layout, ready to be sent many times."""
    span = request.span
    return prepare(controller.unit, _READS[span.table](span.start, span.count))


def conversion_of(value: Value) -> Conversion:
    """The compiled way of one value. LocalError when there is none; ``check`` finds that before."""
    to_put = line_to_put(value.unit, value.put_unit, value.scale)
    rules = Rules(
        to_shown=line_of(value.take_scale),
        range=value.range,
        to_put=to_put,
        not_available=frozenset(value.not_available),
        clamp=value.clamp,
        rounding=value.rounding,
    )
    return Conversion(value.take, value.put, rules)


def substitutes_of(transfer: Transfer, conversions: Sequence[Conversion]) -> tuple[bytes | None, ...] | None:
    """The encoded substitute of each value, None where it has none; None altogether when the plan says hold."""
    if transfer.on_loss is not OnLoss.SUBSTITUTE:
        return None
    return tuple(
        None if value.substitute is None else conversion.put(value.substitute)
        for value, conversion in zip(transfer.values, conversions, strict=True)
    )


def make_links(controllers: Sequence[Controller], network: Network, rng: Random, clock: LoopClock) -> dict[str, Link]:
    """The link of each controller, by its name."""
    groups = share(controllers)
    places = [(group[0].host.lower(), group[0].port) for group in groups]
    counts, budgets = Counter(places), budgets_of(controllers)
    links: dict[str, Link] = {}
    for group, at in zip(groups, places, strict=True):
        # Each link has a stream of chance of its own, so that one link's doings do not change another's.
        link = Link(group, network, Random(rng.getrandbits(64)), clock, budgets[at], counts[at])
        links.update({each.name: link for each in group})
    return links


def build_carry(
    sweep: Sweep,
    index: int,
    lines: Mapping[str, Line],
    *,
    armed: frozenset[str],
    clock: LoopClock,
    on_quality: Callable[[Carry, Quality, str], None],
    on_became: Tell,
) -> Carry:
    """One transfer of a sweep, ready to work."""
    layout = sweep.transfers[index]
    transfer = layout.transfer
    destination = lines[transfer.destination]
    alone = None
    if layout.status_alone is not None:
        alone = WriteTemplate(destination.controller, transfer, layout.status_alone)
    conversions = [conversion_of(value) for value in transfer.values]
    cutter = Cutter(layout, index, sweep.reads, conversions)
    members = [[cut.value for cut in each.cuts if cut.value >= 0] for each in layout.writes]
    carry = Carry(
        layout,
        cutter,
        destination,
        writes=[WriteTemplate(destination.controller, transfer, each) for each in layout.writes],
        status_alone=alone,
        substitutes=substitutes_of(transfer, conversions),
        changes=changes_of(transfer, members, cutter.groups),
        receiving=receiving_of(
            layout, destination.controller, members, cutter.groups, on_became, lambda: destination.losses
        ),
        clock=clock,
        is_armed=transfer.destination in armed,
        on_quality=on_quality,
    )
    if destination.controller.tolerate or lines[transfer.source].controller.tolerate:
        carry.doubt = Reason.UNCERTAIN_TOLERATED
    return carry
