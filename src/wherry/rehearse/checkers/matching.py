"""Which reading each written value is: every write is held against the right replies that came before it.

A value in a write must be the declared conversion of what one right reply held, a reply that has not served this value
before and whose request left no longer than ``max_age`` ago. When there is none, the verdict says what it was instead.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from enum import StrEnum
from typing import Final, NamedTuple

from wherry.plan.model import Controller, OnLoss, Plan, Point, Span, Table, Transfer, Value
from wherry.rehearse.checkers.conversion import compile_fits, compile_substitute
from wherry.rehearse.tap import Ask, Head, Link

Data = bytes | int
"""Registers as they travel; bits as a number, the first lowest."""

KEPT: Final = -1
"""A bit that a write leaves as it is."""
HOLDING_READ: Final = 0x03
MASK_WRITE: Final = 0x16
REPLIES_KEPT: Final = 256
ILL_KEPT: Final = 32
LOOK_SLACK_NS: Final = 1_000_000
"""The engine may look at its clock a little before a frame leaves."""


class Verdict(StrEnum):
    """What a written value was."""

    FRESH = "fresh"
    SUBSTITUTE = "the declared substitute"
    AGED = "older than max_age"
    ILL = "from a reply that must not count"
    MEMORY = "sent before, from memory"
    OLDER = "older than what was sent before"
    UNKNOWN = "in no right reply"
    PART = "a part of a value"


class Right(NamedTuple):
    """A right reply to a read: when its request left, its number, and its data."""

    at_ns: int
    number: int
    data: bytes


class Stream:
    """The right replies to one read."""

    __slots__ = ("head", "ill", "replies")

    def __init__(self, head: Head) -> None:
        self.head = head
        self.replies: deque[Right] = deque(maxlen=REPLIES_KEPT)


class Track:
    """One value of one transfer through the run."""

    __slots__ = (
        "data",
        "fits",
        "held_ns",
        "index",
        "is_lazy",
        "is_stand_in",
        "is_substitute",
        "last_at_ns",
        "last_number",
        "newest_ns",
        "sources",
        "transfer",
        "used",
        "value",
    )

    def __init__(self, transfer: Transfer, index: int, value: Value) -> None:
        self.transfer = transfer
        self.index = index
        self.value = value
        self.fits: Callable[[Data, Data], bool] = compile_fits(value)
        self.sources: list[tuple[Stream, Callable[[bytes], Data]]] = []
        self.last_number = 0
        self.last_at_ns = 0
        self.used: deque[int] = deque(maxlen=64)
        self.held_ns: int | None = None
        """When what the receiver holds was sampled, as far as it has confirmed it."""
        self.newest_ns: int | None = None
        """When what was written last was sampled; None if that was none of the source."""
        self.is_stand_in = compile_substitute(value)
        self.is_lazy = value.is_on_change
        """Whether it may be left unwritten while its place holds it already."""
        self.is_substitute = False
        """Whether that was written last."""
        self.data: Data | None = None
        """What was written last."""


class Put:
    """One value in a request that writes."""

    __slots__ = ("data", "reply", "track", "verdict")

    def __init__(self, track: Track, data: Data, reply: Right | None, verdict: Verdict) -> None:
        self.track = track
        self.data = data
        self.reply = reply
        self.verdict = verdict


class StatusPut(NamedTuple):
    """The status registers of a transfer in a request that writes."""

    transfer: Transfer
    heartbeat: int
    quality: int
    age_ms: int
    sequence: int


class WriteParts:
    """What lies where in a write with one head."""

    __slots__ = ("partial", "statuses", "values")

    def __init__(self) -> None:
        self.values: list[tuple[Track, Callable[[bytes], Data]]] = []
        self.partial: list[Track] = []
        self.statuses: list[tuple[Transfer, int]] = []


class Matching:
    """The readings and writings of a whole plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.tracks: dict[str, list[Track]] = {
            transfer.name: [Track(transfer, index, value) for index, value in enumerate(transfer.values)]
            for transfer in plan.transfers
        }
        for transfer in plan.transfers:
            receiver = plan.controller(transfer.destination)
            for track in self.tracks[transfer.name]:
                track.is_lazy = track.is_lazy or is_in_owned_word(receiver, track.value.put)
        self.alive: dict[str, list[tuple[Stream, Callable[[bytes], Data]]]] = {each.name: [] for each in plan.transfers}
        self.ill_replies: dict[str, deque[tuple[int, bytes, str]]] = {
            each.name: deque(maxlen=ILL_KEPT) for each in plan.controllers
        }
        self._streams: dict[str, list[Stream]] = {each.name: [] for each in plan.controllers}
        self._number = 0
        self._words: dict[tuple[str, int], int] = {}
        """What words of our own held when they were last read."""
        self._keep_ns = {
            each.name: each.limits.timeout_ns + max((t.max_age_ns for t in plan.transfers), default=0)
            for each in plan.controllers
        }

    # Reading.

    def answered(self, ask: Ask, pdu: bytes) -> None:
        """A right reply has come."""
        head = ask.head
        if head.is_write:
            for put in ask.puts:
                if put.reply is not None:
                    put.track.held_ns = put.reply.at_ns
            return
        stream = head.parts
        if stream is None:
            stream = head.parts = self._stream(ask.controller, head)
        if head.function == HOLDING_READ and ask.controller.owned:
            for address in range(head.address, head.address + head.count):
                at = 2 + 2 * (address - head.address)
                word = self._words[ask.controller.name, address] = int.from_bytes(pdu[at : at + 2], "big")
                self._shows(ask.controller, address, word)
        self._number += 1
        stream.replies.append(Right(ask.at_ns, self._number, pdu[2:]))

    def _shows(self, controller: Controller, address: int, word: int) -> None:
        """A word of our own was read: what was written last may never have arrived."""
        for transfer in self.plan.transfers:
            if transfer.destination != controller.name:
                continue
            for track in self.tracks[transfer.name]:
                put = track.value.put
                if put.bit is None or put.address != address or put.table is not Table.HOLDING:
                    continue
                bit = word >> put.bit & 1
                if track.data is not None and bit != track.data:
                    track.data, track.is_substitute = bit, False

    def _stream(self, controller: Controller, head: Head) -> Stream:
        stream = Stream(head)
        self._streams[controller.name].append(stream)
        table = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}.get(head.function)
        for transfer in self.plan.transfers:
            if transfer.source != controller.name or table is None:
                continue
            for track in self.tracks[transfer.name]:
                take = track.value.take
                if take.table is table and covers(head, take.span):
                    track.sources.append((stream, cutter(head, take.span, take.bit)))
            alive = transfer.alive
            if alive is not None and alive.table is table and covers(head, alive.span):
                self.alive[transfer.name].append((stream, cutter(head, alive.span, alive.bit)))
        return stream

    def ill(self, link: Link, pdu: bytes, at_ns: int, why: str) -> None:
        """A reply has come that must not count."""
        for each in link.controllers:
            self.ill_replies[each.name].append((at_ns, pdu[2:], why))

    def holds_value(self, track: Track, since_ns: int) -> bool:
        """Whether what was written last is what a right reply since then holds, so that it need not be written again.

        Within a deadband it may rightly differ, and then everything is believed."""
        data = track.data
        if track.value.deadband or data is None:
            return True
        return any(
            reply.at_ns >= since_ns and track.fits(cut(reply.data), data)
            for stream, cut in track.sources
            for reply in stream.replies
        )

    # Writing.

    def asked(self, ask: Ask) -> None:
        """A write leaves: say what each value in it is."""
        parts: WriteParts | None = ask.head.parts
        if parts is None:
            parts = ask.head.parts = self._parts(ask.controller, ask.head)
        data = ask.pdu[ask.head.data_at :]
        puts: list[Put] = []
        for track, cut in parts.values:
            item = cut(data)
            if item != KEPT and not self._is_put_back(ask, track, item):
                puts.append(self._put(track, item, ask.at_ns))
        puts += [Put(track, b"", None, Verdict.PART) for track in parts.partial]
        ask.puts = puts
        if parts.statuses:
            ask.statuses = [
                StatusPut(
                    transfer, *(int.from_bytes(data[at + 2 * word : at + 2 * word + 2], "big") for word in range(4))
                )
                for transfer, at in parts.statuses
            ]

    def _is_put_back(self, ask: Ask, track: Track, item: Data) -> bool:
        """Whether a bit is written only because its word is, as it was when the word was read just before."""
        if track.value.put.bit is None or ask.head.function == MASK_WRITE:
            return False
        word = self._words.get((ask.controller.name, track.value.put.address))
        return word is not None and word >> track.value.put.bit & 1 == item

    def _put(self, track: Track, data: Data, now_ns: int) -> Put:
        oldest_ns = now_ns - track.transfer.max_age_ns - LOOK_SLACK_NS
        if track.value.step is not None:
            return self._step(track, data, oldest_ns)
        found: Right | None = None
        for stream, cut in track.sources:
            for reply in reversed(stream.replies):
                if reply.number <= track.last_number:
                    break
                # Replies may come in another order than they were asked for: the youngest reading is believed.
                if reply.at_ns < oldest_ns:
                    continue
                if (found is None or reply.at_ns > found.at_ns) and track.fits(cut(reply.data), data):
                    found = reply
        may_replace = track.transfer.on_loss is OnLoss.SUBSTITUTE
        is_substitute = may_replace and track.is_stand_in(data)
        track.data = data
        track.is_substitute = is_substitute and found is None
        track.newest_ns = None if found is None else found.at_ns
        if found is None:
            if is_substitute:
                return Put(track, data, None, Verdict.SUBSTITUTE)
            return Put(track, data, None, self._what_else(track, data, oldest_ns))
        verdict = Verdict.FRESH if found.at_ns >= track.last_at_ns else Verdict.OLDER
        if not is_substitute:
            # What equals the substitute may be either: then the reading may still come.
            track.last_number, track.last_at_ns = found.number, found.at_ns
            track.used.append(found.number)
        return Put(track, data, found, verdict)

    def _step(self, track: Track, data: Data, oldest_ns: int) -> Put:
        """A value that is moved in steps need not be what a reply held, but each step needs a reading of its own.

        How far it goes, ``bump`` judges. Without a reading it can only be on its way to the substitute."""
        newest = max(
            (reply for stream, _ in track.sources for reply in stream.replies if reply.number > track.last_number),
            key=lambda reply: reply.number,
            default=None,
        )
        track.data = data
        track.is_substitute = newest is None
        if newest is not None and newest.at_ns >= oldest_ns:
            track.last_number, track.last_at_ns, track.newest_ns = newest.number, newest.at_ns, newest.at_ns
            return Put(track, data, newest, Verdict.FRESH)
        track.newest_ns = None
        if track.transfer.on_loss is OnLoss.SUBSTITUTE:
            return Put(track, data, None, Verdict.SUBSTITUTE)
        return Put(track, data, None, Verdict.AGED if newest is not None else Verdict.MEMORY)

    def _what_else(self, track: Track, data: Data, oldest_ns: int) -> Verdict:
        last_ns = 0
        before: list[Right] = []
        for stream, cut in track.sources:
            for reply in reversed(stream.replies):
                if reply.number == track.last_number:
                    last_ns = max(last_ns, reply.at_ns)
                if track.fits(cut(reply.data), data):
                    before.append(reply)
        for at_ns, payload, _ in self.ill_replies[track.transfer.source]:
            for stream, cut in track.sources:
                if at_ns >= last_ns and len(payload) == stream.head.reply_bytes - 2 and track.fits(cut(payload), data):
                    return Verdict.ILL
        if any(reply.number in track.used for reply in before):
            return Verdict.MEMORY
        if any(reply.number < track.last_number for reply in before):
            return Verdict.OLDER
        return Verdict.AGED if any(reply.at_ns < oldest_ns for reply in before) else Verdict.UNKNOWN

    def _parts(self, controller: Controller, head: Head) -> WriteParts:
        parts = WriteParts()
        table = Table.COIL if head.is_bits else Table.HOLDING
        for transfer in self.plan.transfers:
            if transfer.destination != controller.name:
                continue
            for track in self.tracks[transfer.name]:
                put = track.value.put
                if put.table is not table or not meets(head, put.span):
                    continue
                if put.bit is not None:
                    if head.function == 0x16:
                        parts.values.append((track, mask_cutter(put.bit)))
                    elif is_in_owned_word(controller, put):
                        parts.values.append((track, cutter(head, put.span, put.bit)))
                    continue
                if covers(head, put.span):
                    parts.values.append((track, write_cutter(head, put.span)))
                else:
                    parts.partial.append(track)
            status = transfer.status
            if status is not None and table is Table.HOLDING and covers(head, status):
                parts.statuses.append((transfer, 2 * (status.start - head.address)))
        return parts

    def held_ns(self, transfer: Transfer) -> int | None:
        """When the oldest value that the receiver holds was sampled; None while one is missing.

        Values that are written on change are left out, as long as there are others: they may rightly be older. Where
        there are none but such, it is when they were read last."""
        tracks = self.tracks[transfer.name]
        chosen = [each for each in tracks if not each.is_lazy]
        oldest: int | None = None
        for each in chosen or tracks:
            at_ns = each.held_ns if chosen else self._read_ns(each)
            if at_ns is None:
                return None
            if oldest is None or at_ns < oldest:
                oldest = at_ns
        return oldest

    def _read_ns(self, track: Track) -> int | None:
        """When the last reading of a value was asked for; None while it was never written."""
        if track.data is None:
            return None
        return max((stream.replies[-1].at_ns for stream, _ in track.sources if stream.replies), default=None)


def is_in_owned_word(controller: Controller, put: Point) -> bool:
    """Whether a bit is set by reading, changing and writing its word, which the plan declares as its own."""
    if put.bit is None or controller.bit_writes.value != "read-change-write":
        return False
    return any(each.table is put.table and each.start <= put.address < each.stop for each in controller.owned)


def meets(head: Head, span: Span) -> bool:
    """Whether a request touches any of these items."""
    return head.address < span.stop and span.start < head.address + head.count


def covers(head: Head, span: Span) -> bool:
    """Whether a request touches all of these items."""
    return head.address <= span.start and span.stop <= head.address + head.count


def cutter(head: Head, span: Span, bit: int | None) -> Callable[[bytes], Data]:
    """Takes a value's items out of the data of a reply to this read."""
    offset = span.start - head.address
    if head.is_bits:
        return bits_cutter(offset, span.count)
    if bit is not None:
        at, mask = 2 * offset + (0 if bit >= 8 else 1), 1 << bit % 8
        return lambda data: int(bool(data[at] & mask))
    first, last = 2 * offset, 2 * (offset + span.count)
    return lambda data: data[first:last]


def bits_cutter(offset: int, count: int) -> Callable[[bytes], int]:
    """Takes bits out of packed ones, the first lowest."""
    mask = (1 << count) - 1
    return lambda data: int.from_bytes(data, "little") >> offset & mask


def write_cutter(head: Head, span: Span) -> Callable[[bytes], Data]:
    """Takes a value's items out of the data of this write."""
    if head.function == 0x05:
        return lambda data: int(data[:1] == b"\xff")
    return cutter(head, span, None)


def mask_cutter(bit: int) -> Callable[[bytes], int]:
    """What a mask write makes of one bit: its OR mask, where its AND mask is 0 (V1.1b3, 6.16); KEPT if it leaves it."""

    def cut(data: bytes) -> int:
        keeps, sets = int.from_bytes(data[:2], "big"), int.from_bytes(data[2:4], "big")
        return KEPT if keeps >> bit & 1 else sets >> bit & 1

    return cut
