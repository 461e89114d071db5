"""Commands against a receiver that counts what it carries out: once or reported unknown, never twice."""

from __future__ import annotations

import asyncio
import os
import random
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import pytest

from wherry.engine.command import RESULT_NOT_READ, Outcome
from wherry.engine.events import EventKind
from wherry.engine.guard import guard_for
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.errors import LocalError
from wherry.plan import loads
from wherry.plan.model import Framing, Plan
from wherry.simulate.controller import build
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000
S = 1000 * MS
COMMANDS = int(os.environ.get("WHERRY_COMMANDS", "2000"))
REQUEST, DOSE, ANSWER = 20, 21, 30
PUT, PUT_DOSE, ACKNOWLEDGE, RESULT = 40, 39, 50, 51
PLAN = """
[controller.hall]
connect = "tcp://10.20.0.11"
limits = { timeout = "300 ms" }
[controller.feeder]
connect = "tcp://10.20.0.12"
limits = { timeout = "300 ms" }
[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
expiry = "3 s"
request = "holding 20"
put = "holding 40"
values = [
  { name = "dose", take = "holding 21", put = "holding 39", range = [0, 9000] },
]
acknowledge = "holding 50"
result = "holding 51"
answer = "holding 30"
"""


def plan_of(text: str = PLAN) -> Plan:
    loaded = loads(text)
    assert loaded.findings == ()
    return loaded.plan


@dataclass
class Hall:
    """The source's program: asks, waits for the answer (or gives up), asks for the next one."""

    rng: random.Random
    number: int = 0
    asked_ns: int = 0
    next_ns: int = 500 * MS
    answers: dict[int, tuple[int, int]] = field(default_factory=dict)
    given_up: set[int] = field(default_factory=set)
    asks_max: int = 1 << 30
    patience_ns: int = 20 * S

    def __call__(self, device: Any, seen: Any) -> None:
        answered, outcome, result = device.registers(ANSWER, 3)
        if self.number and answered == self.number and self.number not in self.answers:
            self.answers[self.number] = (outcome, result)
            self.next_ns = seen.at_ns + self.rng.randrange(50, 400) * MS
        is_open = self.number > 0 and self.number not in self.answers and self.number not in self.given_up
        if is_open and seen.at_ns > self.asked_ns + self.patience_ns:
            self.given_up.add(self.number)
            is_open = False
        if not is_open and seen.at_ns >= self.next_ns and self.number < self.asks_max:
            self.number += 1
            self.asked_ns = seen.at_ns
            # First the parameters, then the number: at some requests only half of that is done yet.
            device.set_registers(DOSE, [dose_of(self.number)])
            device.set_registers(REQUEST, [self.number])


def dose_of(number: int) -> int:
    return number * 7 % 9001


@dataclass
class Feeder:
    """The receiver's program: carries out each new number once, some time after it came."""

    rng: random.Random
    carried_out: Counter[int] = field(default_factory=Counter)
    doses: dict[int, int] = field(default_factory=dict)
    written: Counter[int] = field(default_factory=Counter)
    last: int = 0
    due_ns: int | None = None

    def __call__(self, device: Any, seen: Any) -> None:
        wanted = device.registers(PUT, 1)[0]
        if wanted not in (0, self.last) and self.due_ns is None:
            self.due_ns = seen.at_ns + self.rng.randrange(600) * MS
        if self.due_ns is not None and seen.at_ns >= self.due_ns:
            self.due_ns = None
            self.last = wanted
            self.carried_out[wanted] += 1
            self.doses[wanted] = device.registers(PUT_DOSE, 1)[0]
            device.set_registers(RESULT, [wanted % 100])
            device.set_registers(ACKNOWLEDGE, [wanted])

    def restart(self, device: Any) -> None:
        """What was wanted and what was done is forgotten."""
        self.last = 0
        self.due_ns = None
        device.set_registers(PUT_DOSE, [0, 0])
        device.set_registers(ACKNOWLEDGE, [0])


@dataclass
class Site:
    """The two devices, and engines on them one after the other."""

    plan: Plan
    network: MemoryNetwork
    hall: Any
    feeder: Any
    asks: Hall
    does: Feeder
    engines: list[Engine] = field(default_factory=list)
    events: list[Any] = field(default_factory=list)

    def start(self, armed: tuple[str, ...] = ("hall", "feeder")) -> Engine:
        engine = Engine(self.plan, self.network, armed=armed, listeners=[self.events.append], seed=len(self.engines))
        self.engines.append(engine)
        engine.start()
        return engine

    async def kill(self) -> None:
        """The engine ends without a word."""
        engine = self.engines[-1]
        if engine._timer is not None:
            engine._timer.cancel()
        for command in engine.commands:
            command.is_stopping = True
        for line in engine.lines.values():
            await line.close()

    def judge(self) -> None:
        """Nothing was done twice, and what was said is what was done."""
        assert max(self.does.carried_out.values(), default=0) <= 1
        assert max(self.does.written.values(), default=0) <= 1, "no number leaves twice"
        for number, (outcome, result) in self.asks.answers.items():
            done = self.does.carried_out[number]
            if outcome == Outcome.EXECUTED:
                assert done == 1
                assert self.does.doses[number] == dose_of(number)
                assert result in (number % 100, RESULT_NOT_READ)
            elif outcome != Outcome.UNKNOWN:
                assert done == 0, (number, outcome)
        for engine in self.engines:
            for command in engine.commands:
                state = command.state
                assert state.requested == sum(state.counts.values()) + state.pending


async def _site(kit: Any, *, text: str = PLAN, seed: int = 1) -> Site:
    rng = random.Random(seed)
    asks, does = Hall(rng), Feeder(rng)

    def note(device: Any, seen: Any) -> bool:
        """As the request arrives at the wire: what number it writes, if any."""
        if seen.pdu[0] == 0x10:
            start, count = int.from_bytes(seen.pdu[1:3], "big"), int.from_bytes(seen.pdu[3:5], "big")
            if start <= PUT < start + count:
                at = 6 + 2 * (PUT - start)
                does.written[int.from_bytes(seen.pdu[at : at + 2], "big")] += 1
        return False

    hall, feeder = kit.device(before=asks), kit.device(before=does, ignores=note)
    network = MemoryNetwork(random.Random(seed))
    await hall.serve(network, "10.20.0.11", Framing.MBAP)
    await feeder.serve(network, "10.20.0.12", Framing.MBAP)
    return Site(plan_of(text), network, hall, feeder, asks, does)


def disturb(site: Site, rng: random.Random, lost: float) -> None:
    """Replies are lost, requests are lost, connections are reset, the receiver forgets."""
    note = site.feeder.ignores

    def ignores(device: Any, seen: Any) -> bool:
        note(device, seen)
        chance = rng.random()
        if chance < 0.005:
            for transport in list(device.open):
                transport.abort()
        if chance < 0.0005:
            site.does.restart(device)
        return chance < 0.02

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None]:
        if adu is not None and rng.random() < 0.01:
            # The device is busy, or something broke behind the gateway: it may have been carried out all the same.
            return 5 * MS, adu[:4] + b"\0\3" + adu[6:7] + bytes((seen.pdu[0] | 0x80, rng.choice((4, 5, 0x0B))))
        return rng.randrange(2, 30) * MS, None if rng.random() < lost else adu

    site.feeder.ignores = ignores
    site.feeder.answer = answer
    site.hall.answer = lambda device, seen, adu: (5 * MS, None if rng.random() < lost / 5 else adu)


@pytest.mark.slow
def test_every_command_is_executed_once_or_reported_unknown_never_twice(kit: Any) -> None:
    async def main() -> tuple[Site, Counter[int]]:
        rng = random.Random(7)
        site = await _site(kit)
        disturb(site, rng, 0.10)
        site.start()
        said: Counter[int] = Counter()
        while site.asks.number < COMMANDS:
            await asyncio.sleep(rng.uniform(5, 120))
            site.hall.seen.clear()
            site.feeder.seen.clear()
            if rng.random() < 0.5:
                await site.kill()
            else:
                await site.engines[-1].stop()
            await asyncio.sleep(rng.choice((0.1, 1, 5)))
            site.start()
        site.asks.asks_max = site.asks.number
        await asyncio.sleep(30)
        await site.engines[-1].stop()
        for outcome, _ in site.asks.answers.values():
            said[outcome] += 1
        return site, said

    site, said = run_virtual(main)
    site.judge()
    assert len(site.asks.answers) + len(site.asks.given_up) == site.asks.number >= COMMANDS
    assert said[Outcome.EXECUTED] > 0.9 * COMMANDS
    assert said[Outcome.UNKNOWN] > 0
    assert len(site.engines) > COMMANDS // 100


async def _answered(site: Site, number: int, *, within_s: float = 30) -> tuple[int, int]:
    for _ in range(int(within_s / 0.1)):
        if number in site.asks.answers:
            return site.asks.answers[number]
        await asyncio.sleep(0.1)
    raise AssertionError(f"no answer to {number} within {within_s} s")


def numbers_written(site: Site) -> list[int]:
    return sorted(site.does.written.elements())


def test_a_command_is_carried_out_and_answered(kit: Any) -> None:
    async def main() -> Site:
        site = await _site(kit)
        site.asks.asks_max = 3
        site.start()
        assert await _answered(site, 3) == (Outcome.EXECUTED, 3)
        await site.engines[-1].stop()
        return site

    site = run_virtual(main)
    site.judge()
    assert numbers_written(site) == [1, 2, 3]
    told = summary(site.engines[0], site.engines[0].now_ns())["commands"]["feed"]
    assert (told["requested"], told["executed"], told["pending"]) == (3, 3, 0)
    assert (told["last_number"], told["last_outcome"], told["last_result"]) == (3, "executed", 3)
    assert [each.message for each in site.events if each.kind is EventKind.COMMAND][-1] == (
        "feed: request 3 is executed: acknowledged"
    )
    heads = {each.pdu[1:5] for each in site.feeder.writes}
    assert heads == {bytes((0, PUT_DOSE, 0, 2))}, "parameter and number in one request"


def test_parameters_that_lie_elsewhere_are_written_before_the_number(kit: Any) -> None:
    text = PLAN.replace('put = "holding 39"', 'put = "holding 60"')

    async def main() -> Site:
        site = await _site(kit, text=text)
        site.asks.asks_max = 4
        lost = iter([True, False, False, True, False, False, False, False, True])

        def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None]:
            is_parameter = seen.is_write and seen.pdu[2] == 60
            return 5 * MS, None if is_parameter and next(lost, False) else adu

        site.feeder.answer = answer
        site.start()
        assert (await _answered(site, 4))[0] == Outcome.EXECUTED
        return site

    site = run_virtual(main)
    kinds = "".join("p" if each.pdu[2] == 60 else "n" for each in site.feeder.writes)
    assert numbers_written(site) == [1, 2, 3, 4]
    assert kinds.count("p") > 4, "a parameter whose reply is lost may be written again"
    assert "nn" not in kinds
    assert kinds[0] == "p"
    assert all(site.does.carried_out[number] == 1 for number in (1, 2, 3, 4))


@pytest.mark.parametrize(
    ("armed", "written"), [((), []), (("hall",), []), (("feeder",), []), (("hall", "feeder"), [1])]
)
def test_only_what_is_armed_is_written(kit: Any, armed: tuple[str, ...], written: list[int]) -> None:
    async def main() -> Site:
        site = await _site(kit)
        site.asks.asks_max = 1
        site.start(armed)
        await asyncio.sleep(10)
        await site.engines[-1].stop()
        return site

    site = run_virtual(main)
    site.judge()
    assert numbers_written(site) == written
    state = site.engines[0].commands[0].state
    if not written:
        assert site.feeder.writes == site.hall.writes == []
        assert (state.requested, state.counts[Outcome.REFUSED]) == (1, 1)


def test_the_guard_permits_the_places_of_the_command_and_no_others() -> None:
    plan = plan_of()

    def frame(start: int, count: int) -> bytes:
        body = bytes((1, 0x10, 0, start, 0, count, 2 * count)) + bytes(2 * count)
        return b"\0\1\0\0" + len(body).to_bytes(2, "big") + body

    permitted = {}
    for controller in plan.controllers:
        guard = guard_for(plan, controller, armed=True)
        permitted[controller.name] = [at for at in range(100) if guard.permits(frame(at, 1))]
        assert not guard_for(plan, controller, armed=False).permits(frame(permitted[controller.name][0], 1))
    assert permitted == {"feeder": [PUT_DOSE, PUT], "hall": [ANSWER, ANSWER + 1, ANSWER + 2]}


def test_a_parameter_outside_of_its_range_makes_the_request_refused(kit: Any) -> None:
    async def main() -> Site:
        site = await _site(kit, text=PLAN.replace("9000", "6"))
        site.asks.asks_max = 1
        site.start()
        assert await _answered(site, 1) == (Outcome.REFUSED, 0)
        return site

    site = run_virtual(main)
    assert numbers_written(site) == []
    assert "dose: out of range" in site.engines[0].commands[0].state.last.reason  # type: ignore[union-attr]


@pytest.mark.parametrize(("code", "outcome"), [(1, 2), (2, 2), (3, 2), (6, 2), (0x0A, 2), (4, 4), (5, 4), (0x0B, 4)])
def test_an_exception_is_refused_or_leaves_it_unknown(kit: Any, code: int, outcome: int) -> None:
    async def main() -> Site:
        site = await _site(kit)
        site.asks.asks_max = 1
        plain = Feeder(random.Random(1))

        def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
            if not seen.is_write or adu is None:
                return None
            device.set_registers(PUT, [plain.last])
            return 5 * MS, adu[:4] + b"\0\3" + adu[6:7] + bytes((seen.pdu[0] | 0x80, code))

        site.feeder.answer = answer
        site.start()
        assert await _answered(site, 1) == (outcome, 0)
        return site

    site = run_virtual(main)
    site.judge()
    assert numbers_written(site) == [1]


def test_a_receiver_that_is_away_for_too_long_is_given_nothing_later(kit: Any) -> None:
    async def main() -> Site:
        site = await _site(kit)
        site.asks.asks_max = 1
        site.asks.next_ns = 2 * S
        site.start()
        await asyncio.sleep(1)
        site.feeder.kill()
        assert await _answered(site, 1) == (Outcome.EXPIRED, 0)
        site.feeder.is_dead = False
        await asyncio.sleep(20)
        return site

    site = run_virtual(main)
    site.judge()
    assert numbers_written(site) == []


def test_what_was_asked_while_the_source_was_away_is_too_old_when_it_returns(kit: Any) -> None:
    async def main() -> Site:
        site = await _site(kit)
        site.asks.asks_max = 1
        site.asks.next_ns = 1 << 62
        site.start()
        await asyncio.sleep(2)
        site.hall.kill()
        await asyncio.sleep(1)
        site.asks.number = 1
        site.asks.asked_ns = site.hall.now_ns()
        site.hall.set_registers(REQUEST, [1])
        await asyncio.sleep(4)
        site.hall.is_dead = False
        assert await _answered(site, 1) == (Outcome.EXPIRED, 0)
        return site

    site = run_virtual(main)
    assert numbers_written(site) == []


@pytest.mark.parametrize("acknowledged", [0, 7])
def test_what_stood_there_before_the_start_is_never_written(kit: Any, acknowledged: int) -> None:
    """Only the receiver can tell whether somebody had it carried out."""

    async def main() -> Site:
        site = await _site(kit)
        site.asks.number = site.asks.asks_max = 7
        site.hall.set_registers(REQUEST, [7, dose_of(7)])
        site.feeder.set_registers(ACKNOWLEDGE, [acknowledged, 7])
        site.start()
        outcome = Outcome.EXECUTED if acknowledged == 7 else Outcome.UNKNOWN
        assert (await _answered(site, 7))[0] == outcome
        site.asks.asks_max = 8
        assert (await _answered(site, 8))[0] == Outcome.EXECUTED
        return site

    site = run_virtual(main)
    assert numbers_written(site) == [8]


def test_without_an_answer_what_stood_there_is_told_and_left_alone(kit: Any) -> None:
    async def main() -> Site:
        site = await _site(kit, text=PLAN.replace('answer = "holding 30"\n', ""))
        site.hall.set_registers(REQUEST, [7])
        site.asks.number = site.asks.asks_max = 7
        site.start(("feeder",))
        await asyncio.sleep(10)
        site.hall.set_registers(REQUEST, [8])
        await asyncio.sleep(10)
        return site

    site = run_virtual(main)
    assert numbers_written(site) == [8]
    messages = [each.message for each in site.events if each.kind is EventKind.COMMAND]
    assert messages == [
        "feed: request 7 stood there before the start and is left alone",
        "feed: request 8 is executed: acknowledged",
    ]


@pytest.mark.parametrize(
    ("was", "now", "words"),
    [
        ('request = "holding 20"', 'request = "coil 20"', "a single bit cannot ask for a command"),
        ('request = "holding 20"', 'request = "holding 20.3"', "a single bit cannot ask for a command"),
        ('request = "holding 20"', 'request = "holding 20 uint32"', "is one register with a whole number"),
        ('put = "holding 40"', 'put = "input 40"', "is one holding register with a whole number"),
        ('acknowledge = "holding 50"', 'acknowledge = "coil 50"', "is one register with a whole number"),
        ('answer = "holding 30"', 'answer = "holding 30..31"', "the answer takes 3 holding registers"),
        ('answer = "holding 30"', 'answer = "holding 65534"', "the answer takes 3 holding registers"),
        ('answer = "holding 30"', 'answer = "coil 30"', "the answer takes 3 holding registers"),
        ('to = "feeder"', 'to = "feeders"', "there is no controller `feeders`"),
        ('expiry = "3 s"\n', "", "has no `expiry`"),
    ],
)
def test_nonsense_in_a_plan_is_refused(was: str, now: str, words: str) -> None:
    assert was in PLAN
    found = [each.message for each in loads(PLAN.replace(was, now)).findings]
    assert [each for each in found if words in each], found


def test_a_simulated_plant_has_every_place_of_its_commands() -> None:
    plan = plan_of()
    made = {each.name: build(plan, each, random.Random(1), declared_only=True) for each in plan.controllers}
    places = {"hall": [REQUEST, DOSE, ANSWER], "feeder": [PUT_DOSE, PUT, ACKNOWLEDGE, RESULT]}
    for name, addresses in places.items():
        assert [made[name].registers(address, 1) for address in addresses] == [(0,)] * len(addresses)
        with pytest.raises(LocalError):
            made[name].registers(99, 1)
