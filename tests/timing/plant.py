"""Plans by chance near the limit of what they can carry, and the real engine on them in virtual time.

What is seen is what the devices were asked, and when: the n-th time that a request comes belongs to the n-th release,
because a plan that fits skips none.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from math import lcm
from random import Random

from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.bounds import does_fit
from wherry.timing.budget import Budget, budget_of
from wherry.timing.conditions import IDEAL
from wherry.timing.margins import can_fit, is_seen_late
from wherry.timing.replay import replay
from wherry.timing.system import Asked, system_of
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000
HARMONIC_MS = (20, 40, 40, 80, 160)
OTHER_MS = (20, 30, 50, 70, 110)
SCALES = (0.5, 0.7, 1.0, 1.3, 1.6, 2.0, 2.6, 3.5, 5.0, 8.0)
ODD_US = (7, 13, 31, 61)
"""So that two things seldom happen at the same instant, where which of them comes first would be nobody's concern."""
Pace = Callable[[Random, int], int]
"""Chance and the longest time of a request -> how long it takes."""

KINDS = ("plain", "shared", "in flight")
PACES: dict[str, Pace] = {
    "always the longest": lambda _, most_ns: most_ns,
    "anything": lambda rng, most_ns: rng.randint(0, most_ns),
    "nothing or the longest": lambda rng, most_ns: most_ns * rng.randint(0, 1),
    "nearly always the longest": lambda rng, most_ns: most_ns if rng.random() < 0.9 else rng.randint(0, most_ns),
}


def chance_text(rng: Random, *, is_harmonic: bool, scale: float, kinds: tuple[str, ...] = ("plain",)) -> str:
    """A plan, as TOML. The same state of ``rng`` with another ``scale`` gives the same plan with other periods."""
    kind = rng.choice(kinds)
    count = rng.randint(3, 4) if kind == "shared" else rng.randint(2, 4)
    parts = ['title = "Trout tanks"\n']
    for index in range(count):
        is_behind = kind == "shared" and index > 0
        scheme, port = ("rtu+tcp", ":4001") if is_behind and rng.random() < 0.5 else ("tcp", "")
        if is_behind and index > 1:
            scheme, port = ("rtu+tcp", ":4001") if "rtu+tcp" in parts[-1] else ("tcp", "")
        limits = [
            f'gap = "{rng.choice((0, 0, 0, 1, 3))} ms"',
            'timeout = "5 s"',
            f"connections = {2 if kind == 'shared' and rng.random() < 0.3 else 1}",
        ]
        if kind == "in flight":
            limits.append(f"in_flight = {rng.choice((1, 2, 4))}")
        if rng.random() < 0.15:
            limits.append("rate = 200")
        parts.append(
            f'[controller.c{index}]\nconnect = "{scheme}://10.20.0.{12 if is_behind else 11 + index}{port}"\n'
            f"unit = {index + 1}\nlimits = {{ {', '.join(limits)} }}\n"
            f'response = {{ fixed = "{1000 * rng.choice((1, 2, 4, 8)) + ODD_US[index]} us", '
            f'per_register = "{rng.choice((0, 0, 100, 500))} us" }}\n'
        )
    places = [0] * count
    for index in range(rng.randint(1, 5)):
        source, receiver = rng.sample(range(count), 2)
        period_ms = max(1, round(rng.choice(HARMONIC_MS if is_harmonic else OTHER_MS) * scale))
        values, writes = [], 0
        for number in range(rng.randint(1, 6)):
            writes += rng.choice((1, 1, 1, 5))
            places[source] += rng.choice((1, 1, 9))
            values.append(
                f'  {{ name = "v{number}", take = "holding {places[source]}", '
                f'put = "holding {1000 * (index + 1) + writes}" }},\n'
            )
        where = rng.choice((None, 900, writes + 1))
        status = "" if where is None else f'status = "holding {1000 * (index + 1) + where}"\n'
        parts.append(
            f'[transfer.t{index}]\nfrom = "c{source}"\nto = "c{receiver}"\nevery = "{period_ms} ms"\n'
            f'max_age = "20 s"\non_loss = "hold"\n{status}values = [\n{"".join(values)}]\n'
        )
    return "".join(parts)


def chance_plan(seed: int, *, is_harmonic: bool, kinds: tuple[str, ...] = ("plain",)) -> tuple[Plan, Budget] | None:
    """A plan that just fits, and its budget; None where none of the scales does."""
    for scale in SCALES:
        rng = Random(seed)
        text = chance_text(rng, is_harmonic=is_harmonic, scale=scale, kinds=kinds)
        plan = loads(text, f"chance-{seed}.toml").plan
        system = system_of(plan, IDEAL)
        if can_fit(system) and not is_seen_late(system) and does_fit(system, 0):
            return plan, budget_of(plan, system, IDEAL, None)
    return None


@dataclass
class Tried:
    """What came of playing a plan through: all that was over later than its bound says, and how near the bounds are."""

    broken: list[str] = field(default_factory=list)
    cycles: list[float] = field(default_factory=list)
    """By transfer: the bound of its cycle, and the longest that was seen."""
    ages: list[float] = field(default_factory=list)
    """By transfer: the same for the greatest age."""
    waits: list[float] = field(default_factory=list)
    """By request: the same from being asked for to the reply."""


def _at_pace(pace: Pace, rng: Random, asked: Asked) -> int:
    return pace(rng, asked.work.exchange_ns)


def tried(found: Budget, seed: int, *, until_ns: int = 4_000 * MS) -> Tried:
    """Play a plan that fits through, at several paces, and hold what is seen against its bounds."""
    system, windows = found.system, found.bounds.windows
    until_ns = min(2 * lcm(*(each.period_ns for each in system.tasks)), until_ns)
    over_ns, wait_ns, peak_ns = Counter[int](), Counter[int](), Counter[int]()
    result = Tried()
    for number, (name, pace) in enumerate(PACES.items()):
        played = replay(system, until_ns, partial(_at_pace, pace, Random(seed + number)))
        if played.skipped:
            result.broken.append(f"{name}: a cycle was not over within its period")
        for each in played.served:
            over_ns[each.request] = max(over_ns[each.request], each.over_ns - each.release_ns)
            wait_ns[each.request] = max(wait_ns[each.request], each.over_ns - each.asked_ns)
        begun_ns: dict[int, int] = {}
        for cycle in played.cycles:
            if cycle.chain in begun_ns:
                peak_ns[cycle.chain] = max(peak_ns[cycle.chain], cycle.over_ns - begun_ns[cycle.chain])
            begun_ns[cycle.chain] = cycle.begun_ns
    for at, seen_ns in over_ns.items():
        most_ns, longest_ns = windows[at].over_ns, windows[at].wait_ns
        assert most_ns is not None
        assert longest_ns is not None
        if seen_ns > most_ns or wait_ns[at] > longest_ns:
            result.broken.append(f"{at}: over {seen_ns} <= {most_ns}, wait {wait_ns[at]} <= {longest_ns}")
        result.waits.append(longest_ns / wait_ns[at])
    for index, chain in enumerate(system.chains):
        bound, seen_ns = found.transfer(chain.name), max(over_ns[at] for at in chain.stages[-1].requests)
        assert bound.worst_ns is not None
        if seen_ns:
            result.cycles.append(bound.worst_ns / seen_ns)
        if peak_ns[index]:
            result.ages.append((bound.worst_ns + bound.period_ns) / peak_ns[index])
            if result.ages[-1] < 1:
                result.broken.append(f"{chain.name}: {peak_ns[index]} old")
    return result


@dataclass
class Observed:
    """The largest of what was seen, by request."""

    over_ns: dict[int, int] = field(default_factory=dict)
    """From the release to the reply."""
    over_instants_ns: dict[int, list[int]] = field(default_factory=dict)
    """Each reply, counted from the start of the schedule."""
    age_ns: dict[str, int] = field(default_factory=dict)
    """By transfer: from the oldest sample to the last reply, as the engine has it."""
    peak_ns: dict[str, int] = field(default_factory=dict)
    """By transfer: from a sample to the reply to the last write of the next delivery."""
    requests_per_s: dict[str, float] = field(default_factory=dict)
    """By controller, all that it was asked."""
    skipped: int = 0
    cycles: int = 0


def observe(plan: Plan, found: Budget, seed: int, pace: Pace, *, hyperperiods: int = 4) -> Observed:
    """Run the engine on a plan for a while."""
    return run_virtual(lambda: _observe(plan, found, seed, pace, hyperperiods))


async def _observe(plan: Plan, found: Budget, seed: int, pace: Pace, hyperperiods: int) -> Observed:
    rng = Random(seed)
    network = MemoryNetwork(Random(seed))
    served: dict[tuple[str, bytes], list[tuple[int, int]]] = {}

    def prepare(device: SimulatedController, own: Random) -> None:
        longest_ns, name = device.service_ns, device.controller.name
        takes: list[int] = []

        def service_ns(pdu: bytes) -> int:
            takes.append(pace(own, longest_ns(pdu)))
            return takes[-1]

        def on_served(at_ns: int, _unit: int, pdu: bytes, _answer: bytes) -> None:
            served.setdefault((name, pdu[:5]), []).append((at_ns, at_ns + takes[-1]))

        device.service_ns = service_ns  # type: ignore[method-assign]
        device.on_served = on_served

    simulated = await simulate_plan(plan, network, rng=rng, prepare=prepare)
    engine = Engine(plan, network, armed=[each.name for each in plan.controllers], seed=seed)
    engine.start()
    hyper_ns = lcm(*(each.period_ns for each in plan.transfers))
    await asyncio.sleep(min(hyper_ns * hyperperiods, 40_000 * MS) / 1e9)
    for seen in served.values():
        seen[:] = [each for each in seen if each[1] < asyncio.get_running_loop().now_ns]  # type: ignore[attr-defined]
    kept = {key: list(seen) for key, seen in served.items()}
    await engine.stop()
    await simulated.stop()
    observed = _judged(found, engine, kept)
    for (name, _), seen in kept.items():
        per_s = len(seen) / min(hyper_ns * hyperperiods / 1e9, 40)
        observed.requests_per_s[name] = observed.requests_per_s.get(name, 0) + per_s
    return observed


def _judged(found: Budget, engine: Engine, served: dict[tuple[str, bytes], list[tuple[int, int]]]) -> Observed:
    system = found.system
    observed = Observed()
    start_ns = min(each[0][0] for each in served.values())
    for carry in engine.carries:
        observed.skipped += carry.skipped + carry.failed
        observed.cycles += carry.delivered
        observed.age_ns[carry.transfer.name] = carry.age.max_ns
    times: dict[int, list[tuple[int, int]]] = {}
    for each in system.requests:
        pdu = bytes((each.function,)) + each.span.start.to_bytes(2, "big") + each.span.count.to_bytes(2, "big")
        times[each.index] = served.get((each.controller, pdu), [])
        observed.over_instants_ns[each.index] = [over_ns - start_ns for _, over_ns in times[each.index]]
        task = system.tasks[each.task]
        for number, (_, over_ns) in enumerate(times[each.index]):
            released_ns = start_ns + task.offset_ns + number * task.period_ns
            observed.over_ns[each.index] = max(observed.over_ns.get(each.index, 0), over_ns - released_ns)
    for chain in system.chains:
        reads, writes = times[chain.stages[0].requests[0]], times[chain.stages[-1].requests[-1]]
        peaks = [write[1] - read[0] for read, write in zip(reads, writes[1:], strict=False)]
        observed.peak_ns[chain.name] = max(peaks, default=0)
    return observed
