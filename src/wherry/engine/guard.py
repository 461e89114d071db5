"""The last gate before the bytes of a request leave. It trusts nothing that built them.

The guard reads function, unit, address and quantity out of the frame itself and compares them with the ``put`` places
of the plan. Reads pass. A write passes only while its controller is armed, only to the declared unit, and only if every
item it touches is declared. Whatever it does not know is refused. It works on whole frames (MBAP or RTU framing).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from typing import Final

from wherry.limits import MBAP_BYTES
from wherry.plan.model import Controller, Framing, Plan, Span, Table

_READS: Final = frozenset({0x01, 0x02, 0x03, 0x04})
_IDENTIFY: Final = b"\x2b\x0e"
_JUDGED_BY_HEAD: Final = _READS | {0x0F, 0x10}
_KNOWN_MAX: Final = 4096
"""Frame heads remembered as permitted; bounded, so that no peer or plan can make it grow."""


class Guard:
    """Decides for one controller whether a frame may leave. ``refused`` counts those that may not."""

    __slots__ = (
        "_bits",
        "_head_start",
        "_head_stop",
        "_known",
        "_masks",
        "_offset",
        "_registers",
        "_tail",
        "_unit",
        "armed",
        "refused",
    )

    def __init__(self, controller: Controller, spans: Iterable[Span], masks: dict[int, int], *, armed: bool) -> None:
        """``spans`` are the places that may be written whole, ``masks`` the bits that may be set inside a register."""
        spans = tuple(spans)
        self.armed = armed
        self.refused = 0
        self._unit = controller.unit
        is_rtu = controller.framing is Framing.RTU
        self._offset = 0 if is_rtu else MBAP_BYTES - 1
        self._tail = 2 if is_rtu else 0
        self._registers = _merge(span for span in spans if span.table is Table.HOLDING)
        self._bits = _merge(span for span in spans if span.table is Table.COIL)
        self._masks = dict(masks)
        self._head_start = 0 if is_rtu else 2
        self._head_stop = self._offset + 7
        self._known: dict[bytes, int] = {}

    def permits(self, frame: bytes) -> bool:
        """Whether this frame may leave."""
        # What stands before the data decides (protocol id, length, unit, function, address, quantity, byte count): a
        # head that was judged once need not be judged again, as long as the frame is as long as it was then.
        head = frame[self._head_start : self._head_stop]
        if self._known.get(head) == len(frame):
            return True
        if not self._judge(frame):
            self.refused += 1
            return False
        if frame[self._offset + 1] in _JUDGED_BY_HEAD:
            if len(self._known) >= _KNOWN_MAX:
                self._known.clear()
            self._known[head] = len(frame)
        return True

    def disarm(self) -> None:
        """From now on nothing that writes may leave."""
        self.armed = False
        self._known.clear()

    def _judge(self, frame: bytes) -> bool:
        offset = self._offset
        if not offset + 2 + self._tail <= len(frame):
            return False
        if offset and (frame[2:4] != b"\0\0" or int.from_bytes(frame[4:6], "big") != len(frame) - 6):
            return False
        body = frame[offset : len(frame) - self._tail]
        function = body[1]
        if function in _READS:
            return len(body) == 6
        if body[1:3] == _IDENTIFY:
            return len(body) == 5
        if not self.armed or body[0] != self._unit or len(body) < 6:
            return False
        address = int.from_bytes(body[2:4], "big")
        quantity = int.from_bytes(body[4:6], "big")
        if function == 0x10:
            well_formed = len(body) >= 7 and body[6] == 2 * quantity == len(body) - 7
            return well_formed and _covers(self._registers, address, quantity)
        if function == 0x0F:
            well_formed = len(body) >= 7 and body[6] == (quantity + 7) // 8 == len(body) - 7
            return well_formed and _covers(self._bits, address, quantity)
        if function == 0x06:
            return len(body) == 6 and _covers(self._registers, address, 1)
        if function == 0x05:
            return len(body) == 6 and quantity in (0x0000, 0xFF00) and _covers(self._bits, address, 1)
        if function == 0x16:
            return len(body) == 8 and self._mask_keeps_others(address, quantity, int.from_bytes(body[6:8], "big"))
        return False

    def _mask_keeps_others(self, address: int, and_mask: int, or_mask: int) -> bool:
        """Result = (old AND and_mask) OR (or_mask AND NOT and_mask): bits at 1 in and_mask stay (V1.1b3, 6.16)."""
        changed = ~and_mask & 0xFFFF
        owned = 0xFFFF if _covers(self._registers, address, 1) else self._masks.get(address, 0)
        return changed != 0 and changed & ~owned == 0 and or_mask & ~changed == 0


def guard_for(plan: Plan, controller: Controller, *, armed: bool) -> Guard:
    """The guard of one controller: everything that the plan puts there, and nothing else."""
    spans: list[Span] = []
    masks: dict[int, int] = {}
    for transfer in plan.putting:
        if transfer.destination != controller.name:
            continue
        if transfer.status is not None:
            spans.append(transfer.status)
        for value in transfer.values:
            if value.put.bit is None or controller.owns_word(value.put):
                # Without mask writes a bit takes its whole word, if that is ours alone.
                spans.append(value.put.span)
            else:
                masks[value.put.address] = masks.get(value.put.address, 0) | 1 << value.put.bit
    return Guard(controller, spans, masks, armed=armed)


def _merge(spans: Iterable[Span]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Starts and stops of the union of the spans, touching ones joined, in order."""
    starts: list[int] = []
    stops: list[int] = []
    for span in sorted(spans):
        if stops and span.start <= stops[-1]:
            stops[-1] = max(stops[-1], span.stop)
        else:
            starts.append(span.start)
            stops.append(span.stop)
    return tuple(starts), tuple(stops)


def _covers(union: tuple[tuple[int, ...], tuple[int, ...]], address: int, count: int) -> bool:
    starts, stops = union
    index = bisect_right(starts, address) - 1
    return index >= 0 and count > 0 and address + count <= stops[index]


def write_spans(plan: Plan, controller_name: str) -> tuple[Span, ...]:
    """Every place of one controller that the plan may write, joined where they touch, for people to read."""
    spans: dict[Table, list[Span]] = {}
    for transfer in plan.putting:
        if transfer.destination == controller_name:
            places = [value.put.span for value in transfer.values]
            places += [transfer.status] if transfer.status else []
            for place in places:
                spans.setdefault(place.table, []).append(place)
    joined: list[Span] = []
    for table, places in spans.items():
        starts, stops = _merge(places)
        joined += [Span(table, start, stop - start) for start, stop in zip(starts, stops, strict=True)]
    return tuple(sorted(joined))
