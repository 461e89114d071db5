"""The survey on devices that were drawn at random: everything it says is held against what they are."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from tests.survey.truths import READ_FUNCTIONS, Outcome, Truth, surveyed, truths

from wherry.plan.model import Span, Table
from wherry.survey.found import Settings
from wherry.survey.watching import Motion

SURVEYS = int(os.environ.get("WHERRY_SURVEYS", "50"))
UNITS = (1, 255, 0, 3)


def settings_for(truth: Truth) -> Settings:
    return Settings(
        units=UNITS, tables=(Table.HOLDING, Table.INPUT), ranges=((0, truth.size),), connections=True, in_flight=True
    )


def addresses(spans: tuple[Span, ...]) -> set[int]:
    return {at for span in spans for at in range(span.start, span.stop)}


def is_near(found: float, truth: float, slack: float = 0.0) -> bool:
    return abs(found - truth) <= 0.2 * truth + slack


def wrong(truth: Truth, outcome: Outcome) -> Iterator[str]:
    """Everything that was found and is not so."""
    found = outcome.found
    if found.ended:
        yield f"ended: {found.ended}"
        return
    if found.unit != truth.unit or any(
        (said == "answers") != (unit == truth.unit) for unit, said in found.units.items()
    ):
        yield f"units {found.units}"
    yield from wrong_map(truth, outcome)
    yield from wrong_manners(truth, outcome)
    bad = [
        frame.hex(" ")
        for frame in outcome.frames
        if frame[7] not in READ_FUNCTIONS or frame[7:8] + frame[8:10] == b"\x08\x00\x01"
    ]
    if bad or outcome.device.writes:
        yield f"sent {bad[:3]}"
    if len(outcome.frames) != found.requests or found.requests > 2000:
        yield f"{len(outcome.frames)} sent, {found.requests} counted"


def wrong_map(truth: Truth, outcome: Outcome) -> Iterator[str]:
    looked = outcome.found.looked[0]
    if outcome.found.of(Table.INPUT)[0].is_served:
        yield "input registers are not served"
    if looked.holes is None or looked.holes != truth.kind:
        yield f"holes {looked.holes}"
    if looked.contradictions or not looked.is_mapped:
        yield f"map: {looked.contradictions} {looked.unlooked}"
    existing, readable, absent = truth.existing(), addresses(looked.readable), addresses(looked.absent)
    doubtful = addresses(looked.doubtful)
    if truth.kind in ("any", "all", "unsplittable"):
        if (readable, absent) != (existing, set(range(truth.size)) - existing):
            yield f"not readable {sorted(existing - readable)}, not there {sorted(readable - existing)}"
    elif readable - existing or absent & existing - (before_first(truth) if truth.kind == "start-only" else set()):
        yield f"readable but not there {sorted(readable - existing)}, there but absent {sorted(absent & existing)}"
    elif existing - readable - doubtful - absent:
        yield f"lost {sorted(existing - readable - doubtful)}"
    limit = looked.limit
    assert limit is not None
    if limit.is_proved and limit.count != truth.limit:
        yield f"limit {limit}"
    if limit.count > truth.limit:
        yield f"limit {limit} is too high"
    if not limit.is_proved and longest(truth) > truth.limit and truth.kind != "unsplittable":
        yield f"limit {limit} could be proved: {longest(truth)} in a row"
    if truth.kind == "start-only" and looked.items.starts != {at for at, _ in truth.objects()}:
        yield "starts"
    if truth.kind == "unsplittable" and looked.items.wholes != {at: n for at, n in truth.objects() if n > 1}:
        yield f"wholes {looked.items.wholes}"


def before_first(truth: Truth) -> set[int]:
    """What no read reaches, because none may begin near enough before it."""
    starts = sorted(at for at, _ in truth.objects())
    return {at for at in truth.existing() if not any(start <= at < start + truth.limit for start in starts)}


def longest(truth: Truth) -> int:
    """The longest read that the holes allow, cut where it may be cut."""
    if truth.kind not in ("any", "unsplittable"):
        return truth.size - min(at for at, _ in truth.objects())
    best = run = 0
    for width in truth.widths:
        run = run + width if width > 0 else 0
        best = max(best, run)
    return best


def wrong_manners(truth: Truth, outcome: Outcome) -> Iterator[str]:
    found, looked = outcome.found, outcome.found.looked[0]
    assert found.gap is not None
    if not (is_near(found.gap.gap_ns, truth.gap_ns) and found.gap.gap_ns >= truth.gap_ns and found.gap.is_confirmed):
        yield f"gap {found.gap}"
    line = found.line
    assert line is not None
    if not (is_near(line.fixed_ns, truth.fixed_ns) and is_near(line.per_item_ns, truth.per_register_ns)):
        yield f"response {line}"
    assert found.idle is not None
    assert found.in_flight is not None
    assert found.connections is not None
    if found.idle.idle_ns != truth.idle_ns:
        yield f"idle {found.idle}"
    depth = 1 if truth.gap_ns else 16 if truth.queue is None else min(16, truth.queue + 1)
    if found.in_flight.count != depth:
        yield f"in flight {found.in_flight}"
    seen = found.connections
    if seen.count != truth.connections if seen.beyond else seen.count > truth.connections or truth.idle_ns is None:
        yield f"connections {found.connections}"
    objects = {number: text for number, text in found.about.objects.items() if text}
    if objects != {0: "Trout Works", 1: "RS-7", 2: "2.11"}:
        yield f"identity {objects}"
    for address, motion in looked.motions.items():
        if address in truth.moving and motion is Motion.STILL:
            yield f"{address} moves"
        elif address in truth.counting and motion not in (Motion.COUNTS_UP, Motion.MOVES):
            yield f"{address} counts"
        elif address not in truth.moving + truth.counting and motion is not Motion.STILL:
            yield f"{address} stands still"


@pytest.mark.slow
@settings(max_examples=SURVEYS, suppress_health_check=list(HealthCheck))
@given(truths())
def test_everything_it_says_is_so(truth: Truth) -> None:
    assert list(wrong(truth, surveyed(truth, settings_for(truth)))) == []
