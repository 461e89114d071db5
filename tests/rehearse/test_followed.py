"""What followed a fault: which changes count, and when all was Good again."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from wherry.engine.events import Event, EventKind
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.rehearse.followed import Followed
from wherry.rehearse.result import FaultSeen
from wherry.values.quality import Quality

NS_PER_S = 1_000_000_000
PLAN = """
[controller.skid]
connect = "tcp://127.0.0.1:15021"
[controller.filter]
connect = "tcp://127.0.0.1:15021"
unit = 2
[controller.hall]
connect = "tcp://127.0.0.1:15022"
[controller.oxygen]
connect = "tcp://127.0.0.1:15023"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
values = [ { name = "level", take = "holding 0", put = "holding 100" } ]
[transfer.demand]
from = "hall"
to = "oxygen"
every = "1 s"
max_age = "5 s"
on_loss = "hold"
values = [ { name = "demand", take = "holding 0", put = "holding 100" } ]
"""


@dataclass(frozen=True)
class Planned:
    """A fault from second to second."""

    start_ns: int
    end_ns: int
    controller: str
    kind: str = "loss"
    text: str = "loss"


def fault(start_s: float, end_s: float, controller: str = "skid") -> Planned:
    return Planned(round(start_s * NS_PER_S), round(end_s * NS_PER_S), controller)


def quality(at_s: float, transfer: str, now: Quality) -> Event:
    message = f"{transfer} is {now.name.capitalize()}" + ("" if now is Quality.GOOD else ": timeout")
    return Event(round(at_s * NS_PER_S), EventKind.TRANSFER_QUALITY, transfer, message, {"quality": int(now)})


def line(at_s: float, name: str, is_up: bool) -> Event:
    kind = EventKind.LINE_UP if is_up else EventKind.LINE_DOWN
    return Event(round(at_s * NS_PER_S), kind, name, f"{name} is {'' if is_up else 'not '}connected")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return loads(PLAN).plan


def said(seen: FaultSeen) -> list[tuple[float, str]]:
    return [(each.at_ns / NS_PER_S, each.message) for each in seen.followed]


STARTED = [quality(0.1, "water", Quality.GOOD), quality(0.1, "demand", Quality.GOOD)]


def test_a_loss_is_followed_until_all_is_good_again(plan: Plan) -> None:
    events = [
        *STARTED,
        line(10.0, "skid", False),
        quality(10.3, "water", Quality.UNCERTAIN),
        quality(11.1, "water", Quality.BAD),
        quality(12.0, "demand", Quality.UNCERTAIN),  # of other controllers: none of this fault's
        line(20.4, "skid", True),
        quality(20.6, "water", Quality.GOOD),
        quality(30.0, "water", Quality.UNCERTAIN),
    ]
    seen = Followed(plan, events).of(fault(10, 20))
    assert said(seen) == [
        (10.0, "skid is not connected"),
        (10.3, "water is Uncertain: timeout"),
        (11.1, "water is Bad: timeout"),
        (20.4, "skid is connected"),
        (20.6, "water is Good"),
    ]
    assert seen.mended_ns == 20_600_000_000
    assert (seen.kind, seen.controller, seen.text) == ("loss", "skid", "loss")


def test_what_nobody_felt_has_no_consequences_of_quality(plan: Plan) -> None:
    seen = Followed(plan, STARTED).of(fault(10, 20))
    assert said(seen) == []
    assert seen.mended_ns == 20 * NS_PER_S


def test_a_short_fault_may_be_felt_after_its_end(plan: Plan) -> None:
    events = [*STARTED, quality(10.4, "water", Quality.UNCERTAIN), quality(10.8, "water", Quality.GOOD)]
    seen = Followed(plan, events).of(fault(10, 10.1))
    assert said(seen) == [(10.4, "water is Uncertain: timeout"), (10.8, "water is Good")]
    assert seen.mended_ns == 10_800_000_000


def test_what_was_good_again_before_the_end_says_so(plan: Plan) -> None:
    events = [*STARTED, quality(10.4, "water", Quality.UNCERTAIN), quality(10.8, "water", Quality.GOOD)]
    assert Followed(plan, events).of(fault(10, 60)).mended_ns == 10_800_000_000


def test_what_never_became_good_again_has_no_end(plan: Plan) -> None:
    events = [*STARTED, quality(10.4, "water", Quality.BAD)]
    seen = Followed(plan, events).of(fault(10, 20))
    assert said(seen) == [(10.4, "water is Bad: timeout")]
    assert seen.mended_ns is None


def test_of_two_transfers_the_later_counts(plan: Plan) -> None:
    events = [
        *STARTED,
        quality(10.4, "water", Quality.BAD),
        quality(11.0, "demand", Quality.BAD),
        quality(20.2, "water", Quality.GOOD),
        quality(21.5, "demand", Quality.GOOD),
    ]
    assert Followed(plan, events).of(fault(10, 20, "hall")).mended_ns == 21_500_000_000
    assert Followed(plan, events).of(fault(10, 20, "skid")).mended_ns == 20_200_000_000


def test_controllers_that_share_an_address_share_its_faults(plan: Plan) -> None:
    events = [*STARTED, quality(10.4, "water", Quality.BAD), quality(20.2, "water", Quality.GOOD)]
    assert Followed(plan, events).of(fault(10, 20, "filter")).mended_ns == 20_200_000_000


def test_what_repeats_is_told_once(plan: Plan) -> None:
    flapping = [
        quality(10 + 0.5 * step, "water", Quality.GOOD if step % 2 else Quality.UNCERTAIN) for step in range(1, 100)
    ]
    seen = Followed(plan, [*STARTED, *flapping]).of(fault(10, 70))
    assert said(seen) == [(10.5, "water is Good"), (11.0, "water is Uncertain: timeout")]
