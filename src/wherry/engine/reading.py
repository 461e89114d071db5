"""From replies to values: each value of a transfer is cut out of its reply and converted, and judged on its own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from wherry.engine.line import NotSent
from wherry.engine.plausibility import Plausibility, plausibility_of
from wherry.packing.layout import ALIVE, ReadRequest, TransferLayout
from wherry.plan.model import Transfer
from wherry.protocol.session import Lost, Outcome, TimedOut
from wherry.values.conversion import Conversion, Converted, failed
from wherry.values.quality import Quality, Reason

Cut = Callable[[bytes], bytes]
"""Takes one value's items out of a payload."""


def cut_registers(start: int, count: int) -> Cut:
    """Takes ``count`` registers from ``start`` out of a payload."""
    first, last = 2 * start, 2 * (start + count)
    return lambda payload: payload[first:last]


def cut_bits(start: int, count: int) -> Cut:
    """Takes ``count`` bits from ``start`` out of a payload, packed from the lowest bit again."""
    mask = (1 << count) - 1
    size = (count + 7) // 8
    return lambda payload: (int.from_bytes(payload, "little") >> start & mask).to_bytes(size, "little")


class _Cuts:
    """What one transfer takes out of one reply."""

    __slots__ = ("alive", "judged", "plain", "watched")

    def __init__(self) -> None:
        self.plain: list[tuple[int, slice]] = []
        """Values that are put as they are read: position in the transfer, and where they lie in the payload."""
        self.judged: list[tuple[int, Cut, Callable[[bytes], Converted]]] = []
        self.watched: list[tuple[int, Plausibility]] = []
        """Judged values that are also held against the reading before."""
        self.alive: Cut | None = None


class Cutter:
    """The readings of one transfer in the current cycle.

    A value that goes through unchanged costs one slice; it is decoded only when somebody looks (``results``).
    """

    def __init__(
        self,
        layout: TransferLayout,
        index: int,
        reads: Sequence[ReadRequest],
        conversions: Sequence[Conversion],
    ) -> None:
        """``index`` is the transfer's position in its sweep, ``reads`` the requests of the sweep."""
        transfer: Transfer = layout.transfer
        count = len(transfer.values)
        self._conversions = tuple(conversions)
        self._names = tuple(value.name for value in transfer.values)
        self._alive = b""
        self._watches = tuple(plausibility_of(transfer, value) for value in transfer.values)
        self._needs_number = tuple(value.is_watched or value.is_on_change for value in transfer.values)
        self._cuts = [self._cuts_of(reads[position], index) for position in layout.reads]
        groups: dict[str, list[int]] = {}
        for position, value in enumerate(transfer.values):
            if value.group:
                groups.setdefault(value.group, []).append(position)
        self.groups = tuple(tuple(members) for members in groups.values())
        """The positions of the values of each group."""
        self._puts: list[bytes | None] = [None] * count
        self._judged: list[Converted | None] = [failed(Reason.BAD_WAITING_FOR_INITIAL_DATA)] * count
        """None for a value that was put as it was read."""
        self.all_good = False
        """Whether every value of the current cycle that has come so far is Good."""

    def _cuts_of(self, request: ReadRequest, index: int) -> _Cuts:
        cuts = _Cuts()
        is_bits = request.span.table.is_bits
        for cut in request.cuts:
            if cut.transfer != index:
                continue
            take = cut_bits(cut.offset, cut.count) if is_bits else cut_registers(cut.offset, cut.count)
            if cut.value == ALIVE:
                cuts.alive = take
            elif self._conversions[cut.value].is_plain and not is_bits and not self._needs_number[cut.value]:
                cuts.plain.append((cut.value, slice(2 * cut.offset, 2 * (cut.offset + cut.count))))
            else:
                cuts.judged.append((cut.value, take, self._conversions[cut.value].convert))
                watch = self._watches[cut.value]
                if watch is not None:
                    cuts.watched.append((cut.value, watch))
        return cuts

    def start(self) -> None:
        """A new cycle begins."""
        self.all_good = True
        self._alive = b""

    def take(self, position: int, payload: bytes, sent_ns: int) -> None:
        """The reply to one of the transfer's reads, sent at ``sent_ns``, has come."""
        puts, judged, cuts = self._puts, self._judged, self._cuts[position]
        for index, part in cuts.plain:
            puts[index] = payload[part]
            judged[index] = None
        for index, cut, convert in cuts.judged:
            judged[index] = result = convert(cut(payload))
            puts[index] = result.put
            if result.quality is not Quality.GOOD:
                self.all_good = False
        if cuts.watched:
            self._watch(cuts.watched, sent_ns)
        if cuts.alive is not None:
            self._alive = cuts.alive(payload)

    def _watch(self, watched: Iterable[tuple[int, Plausibility]], sent_ns: int) -> None:
        """What cannot follow the reading before it is Bad."""
        for index, watch in watched:
            result = self._judged[index]
            assert result is not None
            if result.put is None or not isinstance(result.value, int | float):
                continue
            reason = watch.judge(result.value, sent_ns)
            if reason is not Reason.GOOD:
                self._judged[index] = failed(reason, result.value)
                self._puts[index] = None
                self.all_good = False

    def miss(self, position: int, outcome: Outcome | NotSent) -> None:
        """One of the transfer's reads brought nothing: its values are Bad, and nothing older stands in for them."""
        cuts = self._cuts[position]
        indexes = [index for index, _ in cuts.plain] + [index for index, _, _ in cuts.judged]
        self._spoil(failed(reason_for(outcome)), indexes)

    def condemn(self, reason: Reason) -> None:
        """All values are Bad, whatever they read as; those that are Bad already keep their own reason."""
        self._spoil(failed(reason), [index for index, put in enumerate(self._puts) if put is not None])

    def doubt(self, reason: Reason) -> None:
        """No value is better than Uncertain, for this reason; what is worse already keeps its own."""
        self.all_good = False
        for index, put in enumerate(self._puts):
            result = self._judged[index]
            if put is not None and (result is None or result.quality is Quality.GOOD):
                value = self._conversions[index].read(put) if result is None else result.value
                self._judged[index] = Converted(value, put, reason.quality, reason)

    def _spoil(self, missing: Converted, indexes: Iterable[int]) -> None:
        self.all_good = False
        for index in indexes:
            self._judged[index] = missing
            self._puts[index] = None

    @property
    def alive_data(self) -> bytes:
        """The registers of the ``alive`` point; empty when they could not be read in this cycle."""
        return self._alive

    @property
    def judged(self) -> Sequence[Converted | None]:
        """The same as ``results``, but None for a value that is put as it was read."""
        return self._judged

    @property
    def results(self) -> list[Converted]:
        """What became of each value, as last read."""
        results: list[Converted] = []
        for index, result in enumerate(self._judged):
            put = self._puts[index]
            if result is None:
                assert put is not None
                result = Converted(self._conversions[index].read(put), put, Quality.GOOD, Reason.GOOD)
            results.append(result)
        return results

    def puts(self, substitutes: Sequence[bytes | None] | None) -> Sequence[bytes | None]:
        """What is to be put for each value; None leaves its place alone. A group is put whole or not at all."""
        if self.all_good:
            return self._puts
        puts = list(self._puts)
        if substitutes is not None:
            puts = [substitutes[index] if put is None else put for index, put in enumerate(puts)]
        for members in self.groups:
            if any(puts[index] is None for index in members):
                for index in members:
                    puts[index] = None
        return puts

    def worst(self) -> tuple[Quality, str]:
        """The quality of the worst value, and which one it is and why."""
        worst: Converted | None = None
        name = ""
        if not self.all_good:
            for index, result in enumerate(self._judged):
                if result is not None and result.quality < (worst.quality if worst else Quality.GOOD):
                    worst, name = result, self._names[index]
        return (worst.quality, f"{name}: {worst.reason.words}") if worst else (Quality.GOOD, "")


def reason_for(outcome: Outcome | NotSent) -> Reason:
    """Why a value that was not read is Bad."""
    if isinstance(outcome, TimedOut):
        return Reason.BAD_TIMEOUT
    if outcome is NotSent.TORN:
        return Reason.BAD_TORN
    if isinstance(outcome, NotSent | Lost):
        return Reason.BAD_NO_COMMUNICATION
    return Reason.BAD_DEVICE_FAILURE
