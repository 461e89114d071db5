"""Devices with a known truth, for the survey to find out: drawn at random, served in virtual time.

What they answer is worked out here from a list of objects, apart from the simulator's own devices.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import cast

from hypothesis import strategies as st

from wherry.plan.model import Controller, Limits, ResponseTime, Table
from wherry.protocol.identification import Identity
from wherry.simulate.controller import SimulatedController
from wherry.simulate.device import Door, Fault
from wherry.simulate.virtual_loop import run_virtual
from wherry.survey.asking import Answer, Exchange, Kind, Procedure, R
from wherry.survey.found import Found, Settings
from wherry.survey.job import survey_device
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000
S = 1_000_000_000
HOST = "10.20.0.11"
KINDS = ("any", "all", "zero-fill", "start-only", "unsplittable", "shift")
REFUSALS = ("exception 02", "exception 03", "exception 04", "silence", "truncated")
FUNCTIONS = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}
READ_FUNCTIONS = {0x01, 0x02, 0x03, 0x04, 0x07, 0x08, 0x0B, 0x11, 0x2B}


@dataclass(frozen=True)
class Truth:
    """``widths`` are the objects of the holding table in order, negative for a hole of so many registers."""

    kind: str
    widths: tuple[int, ...]
    limit: int = 125
    limit_refusal: str = "exception 03"
    unit: int = 1
    fixed_ns: int = 5 * MS
    per_register_ns: int = 20_000
    gap_ns: int = 0
    gap_is_busy: bool = False
    idle_ns: int | None = None
    connections: int = 1
    queue: int | None = None
    moving: tuple[int, ...] = ()
    counting: tuple[int, ...] = ()
    seed: int = 0
    zeros: float = 0.0
    """The share of registers that hold zero."""
    most: int = 0xFFFF
    """The greatest word: with a small one many registers hold the same."""
    tables: tuple[Table, ...] = (Table.HOLDING,)

    @property
    def size(self) -> int:
        return sum(map(abs, self.widths))

    def objects(self) -> list[tuple[int, int]]:
        """Start and width of what exists."""
        made, at = [], 0
        for width in self.widths:
            if width > 0:
                made.append((at, width))
            at += abs(width)
        return made

    def existing(self) -> set[int]:
        return {at for start, width in self.objects() for at in range(start, start + width)}


@dataclass
class Served:
    """The device as it answers."""

    truth: Truth
    now_ns: Callable[[], int]
    base: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rng = Random(self.truth.seed)
        for at in sorted(self.truth.existing()):
            is_zero = rng.random() < self.truth.zeros and at not in self.truth.moving + self.truth.counting
            self.base[at] = 0 if is_zero else rng.randint(1, self.truth.most)

    def word(self, at: int) -> int:
        """What a register holds now."""
        passed = self.now_ns() // (200 * MS)
        if at in self.truth.counting:
            return self.base[at] + passed & 0xFFFF or 1
        if at in self.truth.moving:
            return Random(self.base[at] * 1_000_003 + passed).randint(1, 0xFFFF)
        return self.base[at]

    def read(self, start: int, count: int) -> list[int] | None:
        """What a read gives; None: refused with exception 02."""
        truth = self.truth
        here = [at for at in range(start, start + count) if at in self.base]
        filled = [self.word(at) if at in self.base else 0 for at in range(start, start + count)]
        is_whole = len(here) == count
        if truth.kind == "any":
            return filled if is_whole else None
        if truth.kind == "all":
            return filled if here else None
        if truth.kind == "zero-fill":
            return filled
        if truth.kind == "start-only":
            return filled if start in {at for at, _ in truth.objects()} else None
        if truth.kind == "unsplittable":
            edges = {edge for at, width in truth.objects() for edge in range(at + 1, at + width)}
            return filled if is_whole and start not in edges and start + count not in edges else None
        words = [self.word(at) for at in here]
        return words + [0] * (count - len(words))

    def answer(self, pdu: bytes) -> bytes | None:
        start, count = struct.unpack(">HH", pdu[1:5])
        if count > self.truth.limit:
            if self.truth.limit_refusal == "silence":
                return None
            if self.truth.limit_refusal != "truncated":
                return bytes((pdu[0] | 0x80, int(self.truth.limit_refusal[-2:])))
            count = self.truth.limit
        words = self.read(start, count)
        if words is None:
            return bytes((pdu[0] | 0x80, 2))
        return struct.pack(f">BB{count}H", pdu[0], 2 * count, *words)


def controller_of(truth: Truth) -> Controller:
    return Controller(
        "skid",
        HOST,
        unit=truth.unit,
        limits=Limits(connections=truth.connections),
        response=ResponseTime(truth.fixed_ns, truth.per_register_ns, True),
    )


def device_of(truth: Truth) -> SimulatedController:
    """A simulated controller that answers as the truth says."""
    device = SimulatedController(controller_of(truth))

    def now_ns() -> int:
        return device.station.clock.now_ns()

    served = Served(truth, now_ns)
    usual = device.respond
    last_ns = -10 * S

    def respond(unit: int, pdu: bytes) -> bytes | None:
        table = FUNCTIONS.get(pdu[0])
        if table is None:
            return usual(unit, pdu)
        return served.answer(pdu) if table in truth.tables else bytes((pdu[0] | 0x80, 1))

    def fault(_number: int, _unit: int, pdu: bytes) -> Fault | None:
        nonlocal last_ns
        if now_ns() - last_ns < truth.gap_ns:
            return Fault(exception=6) if truth.gap_is_busy else Fault(is_silent=True)
        last_ns = now_ns() + device.service_ns(pdu)
        return None

    device.respond = respond
    device.fault = fault if truth.gap_ns else None
    device.responder.device.identity = Identity({0: b"Trout Works", 1: b"RS-7", 2: b"2.11"})
    device.door = Door(idle_ns=truth.idle_ns, queue_max=truth.queue, connections_max=truth.connections)
    return device


@dataclass
class Outcome:
    """What was found, what was sent, and what the device counted."""

    found: Found
    frames: list[bytes]
    device: SimulatedController


def surveyed(truth: Truth, settings: Settings, *, rate: float = 50.0, timeout_ns: int = S) -> Outcome:
    """Survey one truth in virtual time."""

    async def main() -> Outcome:
        network = MemoryNetwork(Random(truth.seed))
        device = device_of(truth)
        await device.start(network, HOST, 502)
        frames: list[bytes] = []
        found = await survey_device(
            network,
            HOST,
            502,
            settings,
            rate=rate,
            timeout_ns=timeout_ns,
            on_sent=lambda _at_ns, frame: frames.append(frame),
        )
        await device.stop()
        return Outcome(found, frames, device)

    return run_virtual(main)


def answered(procedure: Procedure[R], truth: Truth) -> R:
    """Carry a procedure out with no connection and no time: each read is answered by the truth at once."""
    served = Served(truth, lambda: 0)
    try:
        ask = next(procedure)
        while True:
            answer = Answer(Kind.DATA)
            if isinstance(ask, Exchange):
                pdu = served.answer(ask.prepared.pdu)
                if pdu is None:
                    answer = Answer(Kind.SILENT)
                elif pdu[0] & 0x80:
                    answer = Answer(Kind.REFUSED, code=pdu[1])
                elif len(pdu) - 2 != 2 * int.from_bytes(ask.prepared.pdu[3:5], "big"):
                    answer = Answer(Kind.BROKEN)
                else:
                    answer = Answer(Kind.DATA, pdu[2:])
            ask = procedure.send(answer)
    except StopIteration as over:
        return cast("R", over.value)


@st.composite
def truths(draw: st.DrawFn) -> Truth:
    """Any device."""
    kind = draw(st.sampled_from(KINDS))
    parts = st.one_of(st.integers(1, 1), st.sampled_from([1, 1, 2, 2, 4]), st.integers(-14, -1))
    widths = draw(st.lists(parts, min_size=30, max_size=140))
    # Something to hold on to, and at least one hole in the middle of it.
    widths = [*widths, 1, 1, 2, -draw(st.integers(1, 5)), 2, 1, 1]
    truth = Truth(kind, tuple(widths))
    singles = [at for at, width in truth.objects() if width == 1]
    moved = draw(st.lists(st.sampled_from(singles), max_size=6, unique=True))
    limit = draw(st.one_of(st.just(125), st.integers(8, 124)))
    return Truth(
        kind,
        tuple(widths),
        limit,
        draw(st.sampled_from(REFUSALS)),
        draw(st.sampled_from([1, 255, 0, 3])),
        draw(st.integers(MS // 2, 40 * MS)),
        draw(st.sampled_from([0, 20_000, 50_000, 200_000])),
        draw(st.one_of(st.just(0), st.integers(3 * MS, 400 * MS))),
        draw(st.booleans()),
        draw(st.one_of(st.none(), st.integers(2 * S, 15 * S))),
        draw(st.integers(1, 5)),
        draw(st.one_of(st.none(), st.integers(1, 12))),
        tuple(moved[::2]),
        tuple(moved[1::2]),
        draw(st.integers(0, 2**32)),
        draw(st.sampled_from([0.0, 0.0, 0.05, 0.5])),
        draw(st.sampled_from([0xFFFF, 0xFFFF, 3, 1])),
    )
