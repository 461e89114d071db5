"""From replies to values: each value of a transfer is cut out of its reply and converted, and judged on its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from wherry.engine.line import NotSent
from wherry.packing.layout import ALIVE, ReadRequest, TransferLayout
from wherry.plan.model import Transfer
from wherry.protocol.session import Lost, Outcome, TimedOut
from wherry.values.conversion import Conversion, Converted
from wherry.values.quality import Quality, Reason


def cut_registers(start: int, count: int) -> Callable[[bytes], bytes]:
    """Takes ``count`` registers from ``start`` out of a payload."""
    first, last = 2 * start, 2 * (start + count)
    return lambda payload: payload[first:last]


def cut_bits(start: int, count: int) -> Callable[[bytes], bytes]:
    """Takes ``count`` bits from ``start`` out of a payload, packed from the lowest bit again."""
    mask = (1 << count) - 1
    size = (count + 7) // 8
    return lambda payload: (int.from_bytes(payload, "little") >> start & mask).to_bytes(size, "little")


class Cutter:
    """The readings of one transfer in the current cycle. ``results`` has one entry for each of its values."""

    def __init__(
        self,
        layout: TransferLayout,
        index: int,
        reads: Sequence[ReadRequest],
        conversions: Sequence[Conversion],
    ) -> None:
        """``index`` is the transfer's position in its sweep, ``reads`` the requests of the sweep."""
        transfer: Transfer = layout.transfer
        self._conversions = tuple(conversions)
        self._names = tuple(value.name for value in transfer.values)
        self._alive = b""
        self._cuts: list[list[tuple[int, Callable[[bytes], bytes], Callable[[bytes], Converted]]]] = []
        self._alive_cuts: list[Callable[[bytes], bytes] | None] = []
        for position in layout.reads:
            request = reads[position]
            cut_from = cut_bits if request.span.table.is_bits else cut_registers
            cuts: list[tuple[int, Callable[[bytes], bytes], Callable[[bytes], Converted]]] = []
            alive: Callable[[bytes], bytes] | None = None
            for cut in request.cuts:
                if cut.transfer != index:
                    continue
                if cut.value == ALIVE:
                    alive = cut_from(cut.offset, cut.count)
                else:
                    convert = self._conversions[cut.value].convert
                    cuts.append((cut.value, cut_from(cut.offset, cut.count), convert))
            self._cuts.append(cuts)
            self._alive_cuts.append(alive)
        groups: dict[str, list[int]] = {}
        for position, value in enumerate(transfer.values):
            if value.group:
                groups.setdefault(value.group, []).append(position)
        self._groups = tuple(tuple(members) for members in groups.values())
        self.results: list[Converted] = [failed(Reason.BAD_WAITING_FOR_INITIAL_DATA)] * len(transfer.values)

    def take(self, position: int, payload: bytes) -> None:
        """The reply to one of the transfer's reads has come."""
        results = self.results
        for index, cut, convert in self._cuts[position]:
            results[index] = convert(cut(payload))
        alive = self._alive_cuts[position]
        if alive is not None:
            self._alive = alive(payload)

    def miss(self, position: int, outcome: Outcome | NotSent) -> None:
        """One of the transfer's reads brought nothing: its values are Bad, and nothing older stands in for them."""
        missing = failed(reason_for(outcome))
        for index, _, _ in self._cuts[position]:
            self.results[index] = missing

    def condemn(self, reason: Reason) -> None:
        """All values are Bad, whatever they read as."""
        self.results[:] = [failed(reason)] * len(self.results)

    @property
    def alive_data(self) -> bytes:
        """The registers of the ``alive`` point as last read."""
        return self._alive

    def puts(self, substitutes: Sequence[bytes | None] | None) -> list[bytes | None]:
        """What is to be put for each value; None leaves its place alone. A group is put whole or not at all."""
        puts = [result.put for result in self.results]
        if substitutes is not None:
            puts = [substitutes[index] if put is None else put for index, put in enumerate(puts)]
        for members in self._groups:
            if any(puts[index] is None for index in members):
                for index in members:
                    puts[index] = None
        return puts

    def worst(self) -> tuple[Quality, str]:
        """The quality of the worst value, and which one it is and why."""
        quality = Quality.GOOD
        worst = -1
        for index, result in enumerate(self.results):
            if result.quality < quality:
                quality, worst = result.quality, index
        if worst < 0:
            return quality, ""
        return quality, f"{self._names[worst]}: {self.results[worst].reason.words}"


def failed(reason: Reason) -> Converted:
    """A reading that is not there."""
    return Converted(None, None, reason.quality, reason)


def reason_for(outcome: Outcome | NotSent) -> Reason:
    """Why a value that was not read is Bad."""
    if isinstance(outcome, TimedOut):
        return Reason.BAD_TIMEOUT
    if isinstance(outcome, NotSent | Lost):
        return Reason.BAD_NO_COMMUNICATION
    return Reason.BAD_DEVICE_FAILURE
