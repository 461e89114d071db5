"""Connections that do not last: bounds against the engine in virtual time."""

from __future__ import annotations

from random import Random

import pytest

from wherry.plan import loads
from wherry.timing.budget import Budget, budget
from wherry.timing.conditions import IDEAL

from .plant import KINDS, PACES, Observed, chance_text, observe

MS = 1_000_000
PER_EXCHANGE = 'limits = { connection = "per exchange" }'
IDENTITY = 'identity = { vendor = "Hatchery workshop", registers = [{ at = "holding 9000", is = 4660 }] }'


def two(*, skid: str = "", hall: str = "", every: str = "150 ms") -> str:
    return f"""
[controller.skid]
connect = "tcp://10.20.0.11"
response = {{ fixed = "8 ms", per_register = "0 s" }}
{skid}
[controller.hall]
connect = "tcp://10.20.0.12"
response = {{ fixed = "2 ms", per_register = "0 s" }}
{hall}
[transfer.water]
from = "skid"
to = "hall"
every = "{every}"
max_age = "3 s"
on_loss = "hold"
status = "holding 90"
values = [{{ name = "level", take = "holding 0", put = "holding 100" }}]
"""


def seen_of(text: str, *, hyperperiods: int = 40) -> tuple[Budget, Observed]:
    plan = loads(text, "plan.toml").plan
    found = budget(plan, conditions=IDEAL)
    return found, observe(plan, found, 1, PACES["always the longest"], hyperperiods=hyperperiods)


@pytest.mark.parametrize(
    "text",
    [
        two(skid=PER_EXCHANGE),
        two(hall=PER_EXCHANGE),
        two(skid=PER_EXCHANGE, every="250 ms"),
        two(skid=PER_EXCHANGE + "\n" + IDENTITY, every="260 ms"),
        two(hall='limits = { idle = "500 ms" }\n' + IDENTITY, every="1 s"),
        two(skid='limits = { idle = "100 ms" }', every="180 ms"),
    ],
)
def test_what_waits_for_a_connection_keeps_to_its_bound(text: str) -> None:
    found, seen = seen_of(text)
    (water,) = found.transfers
    assert found.fits
    assert water.worst_ns is not None
    assert seen.skipped == 0
    assert water.worst_ns > 100 * MS
    for at, over_ns in seen.over_ns.items():
        bound_ns = found.bounds.windows[at].over_ns
        assert bound_ns is not None
        assert over_ns <= bound_ns
    assert seen.peak_ns["water"] <= water.worst_ns + water.period_ns
    for line in found.lines:
        assert seen.requests_per_s[line.name] <= line.requests_per_s * 1.05


def test_a_close_shortly_before_the_next_request_is_seen_and_bounded() -> None:
    found, seen = seen_of(two(skid=PER_EXCHANGE))
    # The reply comes after 8 ms, the close 100 ms later, and the next request 42 ms after that.
    assert max(seen.over_ns.values()) > 60 * MS
    assert found.lines[0].openings_per_s == pytest.approx(1000 / 150)


def test_a_connection_that_is_used_often_is_never_closed() -> None:
    found, seen = seen_of(two(skid=PER_EXCHANGE, hall=PER_EXCHANGE + "\n" + IDENTITY, every="60 ms"))
    (water,) = found.transfers
    assert water.worst_ns == 10 * MS
    assert [each.openings_per_s for each in found.lines] == [0, 0]
    assert max(seen.over_ns.values()) == 12 * MS


def test_what_keeps_a_connection_in_use_is_counted() -> None:
    """Where connecting is limited something is read before the device closes."""
    text = two(skid='limits = { idle = "300 ms", connects = 20 }', every="1 s")
    found = budget(loads(text, "plan.toml").plan, conditions=IDEAL)
    skid = found.lines[0]
    assert skid.openings_per_s == 0
    assert skid.requests_per_s == pytest.approx(1 + 1000 / 270)
    # One such read may be under way.
    assert found.transfers[0].worst_ns == 8 * MS + 10 * MS


def test_what_comes_while_a_connection_is_made_may_go_first() -> None:
    back = """
[transfer.demand]
from = "hall"
to = "skid"
every = "1350 ms"
max_age = "3 s"
on_loss = "hold"
values = [{ name = "feed", take = "holding 5", put = "holding 70" }]
"""
    found, seen = seen_of(two(hall=PER_EXCHANGE, every="150 ms").replace('"2 ms"', '"12 ms"') + back, hyperperiods=21)
    assert found.fits
    (read,) = [each.index for each in found.system.requests if not each.is_write and each.controller == "hall"]
    bound_ns = found.bounds.windows[read].over_ns
    assert bound_ns is not None
    # The write comes 8 ms after the read, finds it waiting for the connection, and goes first; its status, too.
    assert (
        113 * MS <= max(seen.over_instants_ns[read][number] - number * 1350 * MS for number in range(1, 20)) <= bound_ns
    )


def chance(seed: int, kind: str) -> str:
    """A plan of which some connections do not last, and ask who answers."""
    rng = Random(seed)
    scale = rng.choice((8.0, 12.0, 20.0))
    text = chance_text(rng, is_harmonic=seed % 2 == 0, scale=scale, kinds=(kind,))
    for index in range(4):
        idle = f'idle = "{rng.choice((120, 200, 300, 700))} ms", '
        extra = rng.choice(("", idle, 'connection = "per exchange", ', 'connection = "per exchange", '))
        identity = IDENTITY + "\n" if extra and rng.random() < 0.3 else ""
        old = f"unit = {index + 1}\nlimits = {{ "
        text = text.replace(old, f"unit = {index + 1}\n{identity}limits = {{ {extra}")
    return text


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [3, 11, 37, 52])
def test_plans_by_chance_keep_to_their_bounds(kind: str, seed: int) -> None:
    plan = loads(chance(seed, kind), "plan.toml").plan
    found = budget(plan, conditions=IDEAL)
    assert found.fits
    assert found.bounds.opened
    tasks = found.system.tasks
    for pace in PACES.values():
        seen = observe(plan, found, seed, pace, hyperperiods=3)
        for at, instants_ns in seen.over_instants_ns.items():
            bound_ns, task = found.bounds.windows[at].over_ns, tasks[found.system.requests[at].task]
            assert bound_ns is not None
            # At the start it is asked who answers, whatever lasts.
            for number, over_ns in enumerate(instants_ns[1:], 1):
                assert over_ns - task.offset_ns - number * task.period_ns <= bound_ns
