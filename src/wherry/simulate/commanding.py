"""The programs on both sides of a command, for simulated controllers: one asks, the other carries out and counts.

They do what docs/commands.md asks of real ones: parameters first, then the number; each new number is carried out once,
then acknowledged.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from fractions import Fraction
from random import Random
from typing import Final

from wherry.clock import NS_PER_S
from wherry.plan.model import Command, Point, Value
from wherry.protocol.functions import EXCEPTION_BIT, FUNCTIONS
from wherry.simulate.controller import Simulated, SimulatedController
from wherry.simulate.device import Served
from wherry.values.codec import DoesNotFitError
from wherry.values.scaling import line_of
from wherry.values.types import UINT16, Kind

NUMBER_MAX: Final = 60_000
"""After so many requests nothing more is asked, so that each number is one request."""
PAUSE_S: Final = (1.0, 30.0)
"""From an answer to the next request."""
LOOK_S: Final = 1.0
"""How often the asking program looks at its answer."""
WORK_S: Final = (0.02, 0.4)
"""How long carrying out takes."""


class CommandPrograms:
    """Both programs of one command. ``carried_out`` counts by request number what the receiver's program did."""

    def __init__(
        self, command: Command, source: SimulatedController, receiver: SimulatedController, rng: Random
    ) -> None:
        self.command = command
        self.carried_out: Counter[int] = Counter()
        self._source, self._receiver = source, receiver
        self._rng = rng
        self._loop = asyncio.get_running_loop()
        self._number = 0
        self._waited_s = 0.0
        # Without an answer the next request is made when the one before cannot be carried out any more.
        self._patience_s = 4 * command.expiry_ns / NS_PER_S
        self._handle: asyncio.TimerHandle | None = None
        self._last = 0
        self._before: Served | None = None

    def start(self) -> None:
        """Begin to ask, and listen for what is written to the receiver."""
        self._before = self._receiver.on_served
        self._receiver.on_served = self._served
        self._handle = self._loop.call_later(self._rng.uniform(*PAUSE_S), self._ask)

    def stop(self) -> None:
        """Ask no more."""
        if self._handle is not None:
            self._handle.cancel()

    # The program that asks.

    def _ask(self) -> None:
        if self._source.is_frozen:
            self._handle = self._loop.call_later(LOOK_S, self._ask)
            return
        if self._number >= NUMBER_MAX:
            return
        self._number += 1
        self._waited_s = 0.0
        for value in self.command.values:
            self._choose(value)
        self._source.set(as_number(self.command.request), self._number)
        self._handle = self._loop.call_later(LOOK_S, self._look)

    def _choose(self, value: Value) -> None:
        """A parameter within its range; without a range it stays as it is."""
        if value.range is None or not value.take.type.is_number:
            return
        line = line_of(value.take_scale)
        shown = Fraction(self._rng.uniform(*value.range))
        number = float((shown - line.offset) / line.factor)
        try:
            self._source.set(value.take, number if value.take.type.kind is Kind.FLOAT else int(number))
        except DoesNotFitError:
            return

    def _look(self) -> None:
        answer = self.command.answer
        self._waited_s += LOOK_S
        is_answered = answer is not None and self._source.registers(answer.start, 1) == (self._number,)
        if is_answered or self._waited_s >= self._patience_s:
            self._handle = self._loop.call_later(self._rng.uniform(*PAUSE_S), self._ask)
        else:
            self._handle = self._loop.call_later(LOOK_S, self._look)

    # The program that carries out.

    def _served(self, at_ns: int, unit: int, pdu: bytes, answer: bytes) -> None:
        if self._before is not None:
            self._before(at_ns, unit, pdu, answer)
        if FUNCTIONS[pdu[0]].is_write and answer and not answer[0] & EXCEPTION_BIT:
            start, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big") if pdu[0] == 0x10 else 1
            if start <= self.command.put.address < start + count and pdu[0] in (0x06, 0x10):
                self._loop.call_later(self._rng.uniform(*WORK_S), self._carry_out)

    def _carry_out(self) -> None:
        receiver = self._receiver
        if receiver.is_frozen:
            self._loop.call_later(LOOK_S, self._carry_out)
            return
        (number,) = receiver.registers(self.command.put.address, 1)
        if receiver.is_killed or number in (0, self._last):
            return
        self._last = number
        self.carried_out[number] += 1
        if self.command.result is not None:
            receiver.set(as_number(self.command.result), number % 100)
        receiver.set(as_number(self.command.acknowledge), number)


def as_number(point: Point) -> Point:
    """The register as one from 0 to 65535, whatever sign it was declared with."""
    return Point(point.table, point.address, UINT16)


def start_commands(simulated: Simulated, rng: Random) -> list[CommandPrograms]:
    """Start the programs of every command whose two controllers are simulated."""
    found: list[CommandPrograms] = []
    for command in simulated.plan.commands:
        own = Random(rng.getrandbits(64))
        if command.source in simulated.controllers and command.destination in simulated.controllers:
            source, receiver = simulated.controllers[command.source], simulated.controllers[command.destination]
            programs = CommandPrograms(command, source, receiver, own)
            programs.start()
            found.append(programs)
    return found
