"""What the plan does not say about time: the network, our own computer, and what was measured.

The time of a request is how long it is from the frame's leaving to the reply's being in hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.errors import LocalError
from wherry.limits import MBAP_BYTES, REGISTER_BITS
from wherry.packing.functions import MASK_WRITE, READ_FUNCTIONS, WRITE_FUNCTIONS, WRITE_SINGLE_FUNCTIONS
from wherry.plan.model import Controller, Framing, Plan, Span
from wherry.timing.serial_line import ADDRESS_AND_CRC_BYTES, SerialLine

FRAME_BYTES: Final = 58
"""What a segment has around its data: Ethernet header and check sequence 14 + 4 (IEEE 802.3), IP header 20 (RFC 791),
TCP header 20 (RFC 9293)."""
FRAME_BYTES_MIN: Final = 64
"""The shortest Ethernet frame (IEEE 802.3)."""
FRAMES_PER_EXCHANGE: Final = 3
"""Request, reply, and at most one bare acknowledgement of the reply; that of the request travels with the reply
(RFC 9293, 3.8.6.3)."""

MEASURED_MS_MAX: Final = 3_600_000.0
"""A response of more than an hour was not measured (a bound of ours)."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Assumptions about the way between us and the controllers, and about our own computer.

    ``latency_ns`` is one way. ``bytes_per_s`` is the slowest part of the way; None: too quick to count. ``handle_ns``
    is what our computer needs for a request and its reply, ``wake_ns`` how late a timer may fire. ``serial`` names, by
    controller, the serial line behind a gateway. ``updates_ns`` and ``scans_ns`` say, by controller, how often the
    program of a source renews what it shows, and how often that of a receiver looks.
    """

    latency_ns: int = 250_000
    bytes_per_s: float | None = 12_500_000.0
    handle_ns: int = 200_000
    wake_ns: int = 2 * NS_PER_MS
    serial: Mapping[str, SerialLine] = field(default_factory=dict)
    updates_ns: Mapping[str, int] = field(default_factory=dict)
    scans_ns: Mapping[str, int] = field(default_factory=dict)

    def with_declared(self, plan: Plan) -> Conditions:
        """These, with what the plan says of serial lines, of the programs of its sources and of its receivers."""
        return replace(
            self,
            serial={**{each.name: SerialLine(each.baud) for each in plan.controllers if each.baud}, **self.serial},
            updates_ns={
                **{each.name: each.update_ns for each in plan.controllers if each.update_ns},
                **self.updates_ns,
            },
            scans_ns={**{each.name: each.scan_ns for each in plan.controllers if each.scan_ns}, **self.scans_ns},
        )


USUAL: Final = Conditions()
"""A plant network of switches, and an ordinary computer (common practice, no source)."""
IDEAL: Final = Conditions(latency_ns=0, bytes_per_s=None, handle_ns=0, wake_ns=0)
"""Nothing but the controllers takes time: what virtual time is, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class MeasuredResponse:
    """How long a controller was seen to take, the way included."""

    typical_ns: int
    worst_ns: int
    count: int


@dataclass(frozen=True, slots=True)
class Measured:
    """What a run has shown. ``late_ns``: the latest release."""

    responses: Mapping[str, MeasuredResponse]
    late_ns: int | None = None
    armed: frozenset[str] | None = None
    """The controllers that it could write to; None: not told."""


def read_measured(document: Mapping[str, Any]) -> Measured:
    """From the document that ``wherry run --json`` prints. LocalError when it is not one."""
    controllers = document.get("controllers")
    if not isinstance(controllers, Mapping):
        raise LocalError("this is not what `wherry run --json` prints: it has no `controllers`")
    responses: dict[str, MeasuredResponse] = {}
    for name, each in controllers.items():
        times = each.get("response_ms") if isinstance(each, Mapping) else None
        if not isinstance(times, Mapping):
            raise LocalError(f"this is not what `wherry run --json` prints: `controllers.{name}` has no `response_ms`")
        where = f"controllers.{name}.response_ms"
        typical_ns, worst_ns = _time_ns(times.get("p50"), where), _time_ns(times.get("max"), where)
        count = each.get("replies")
        if typical_ns is not None and worst_ns is not None:
            if worst_ns < typical_ns:
                raise LocalError(f"`{where}` cannot have been measured: its `max` is below its `p50`")
            responses[name] = MeasuredResponse(typical_ns, worst_ns, count if isinstance(count, int) else 0)
    transfers = document.get("transfers")
    late_ns: list[int] = []
    for each in transfers.values() if isinstance(transfers, Mapping) else ():
        times = each.get("lateness_ms") if isinstance(each, Mapping) else None
        latest_ns = _time_ns(times.get("max"), "lateness_ms") if isinstance(times, Mapping) else None
        if latest_ns is not None:
            late_ns.append(latest_ns)
    armed = document.get("armed")
    names = frozenset(each for each in armed if isinstance(each, str)) if isinstance(armed, list) else None
    return Measured(responses, max(late_ns, default=None), names)


def _time_ns(time_ms: object, where: str) -> int | None:
    """A time that a document gives in milliseconds; None if there is none. LocalError for what nobody can measure."""
    if time_ms is None:
        return None
    if isinstance(time_ms, bool) or not isinstance(time_ms, int | float) or not 0 <= time_ms <= MEASURED_MS_MAX:
        raise LocalError(f"`{where}` cannot have been measured: it holds no time from 0 to an hour in milliseconds")
    return round(time_ms * NS_PER_MS)


@dataclass(frozen=True, slots=True)
class Work:
    """What one request takes. ``slot_ns``: how long its line takes no other; ``exchange_ns`` of it until the reply."""

    exchange_ns: int
    slot_ns: int
    rest_ns: int
    """How long after its reply, however soon that came, its line may still take no other."""
    typical_ns: int
    request_bytes: int
    reply_bytes: int
    """Bytes of both frames on the network."""
    is_assumed: bool
    """Whether the response time is an assumption of ours."""


def pdu_bytes(function: int, span: Span) -> tuple[int, int]:
    """The PDU bytes of a request and of its reply (Modbus Application Protocol V1.1b3, 6.1 to 6.16)."""
    data = (span.count + 7) // 8 if span.table.is_bits else 2 * span.count
    if function in READ_FUNCTIONS.values():
        return 5, 2 + data
    if function in WRITE_SINGLE_FUNCTIONS.values():
        return 5, 5
    if function == MASK_WRITE:
        return 7, 7
    assert function in WRITE_FUNCTIONS.values(), function
    return 6 + data, 5


def work_of(
    controller: Controller,
    function: int,
    span: Span,
    *,
    gap_ns: int,
    spacing_ns: int,
    conditions: Conditions,
    measured: MeasuredResponse | None = None,
) -> Work:
    """What one request takes at the most, and usually."""
    request, reply = pdu_bytes(function, span)
    around = MBAP_BYTES if controller.framing is Framing.MBAP else ADDRESS_AND_CRC_BYTES
    request_frame, reply_frame = _on_network(request + around), _on_network(reply + around)
    if measured is not None:
        typical_ns, exchange_ns = measured.typical_ns, measured.worst_ns
    else:
        response = controller.response
        registers = -(-span.count // REGISTER_BITS) if span.table.is_bits else span.count
        exchange_ns = response.fixed_ns + response.per_register_ns * registers + 2 * conditions.latency_ns
        if conditions.bytes_per_s:
            exchange_ns += round((request_frame + reply_frame) * NS_PER_S / conditions.bytes_per_s)
        serial = conditions.serial.get(controller.name)
        if serial is not None:
            exchange_ns += serial.exchange_ns(request, reply)
        typical_ns = exchange_ns
    exchange_ns += conditions.handle_ns
    rest_ns = gap_ns + conditions.wake_ns if gap_ns else 0
    slot_ns = exchange_ns + rest_ns
    if spacing_ns:
        rest_ns = max(rest_ns, spacing_ns + conditions.wake_ns)
        slot_ns = max(slot_ns, rest_ns)
    is_assumed = measured is None and not controller.response.is_declared
    return Work(exchange_ns, slot_ns, rest_ns, min(typical_ns, exchange_ns), request_frame, reply_frame, is_assumed)


def _on_network(payload: int) -> int:
    return max(FRAME_BYTES_MIN, FRAME_BYTES + payload)
