"""The table of states: complete, without dead ends that are not ends, and drawn from itself."""

from __future__ import annotations

import pytest

from wherry.protocol.functions import Framing
from wherry.protocol.session_table import (
    MAY_SEND,
    REQUEST_TRANSITIONS,
    TRANSITIONS,
    Event,
    RequestState,
    State,
    diagram,
    request_diagram,
)

both_framings = pytest.mark.parametrize("framing", list(Framing))


def reachable(framing: Framing, start: State) -> set[State]:
    seen = {start}
    todo = [start]
    while todo:
        for target in TRANSITIONS[framing][todo.pop()].values():
            if target not in seen:
                seen.add(target)
                todo.append(target)
    return seen


@both_framings
def test_every_state_can_be_reached_and_ended(framing: Framing) -> None:
    table = TRANSITIONS[framing]
    assert reachable(framing, State.READY) == set(table)
    for state in table:
        assert State.CLOSED in reachable(framing, state)
        assert table[state][Event.LINK_LOST] is State.CLOSED


@both_framings
def test_nothing_leads_back_from_the_ends(framing: Framing) -> None:
    assert State.READY not in reachable(framing, State.BROKEN)
    assert reachable(framing, State.CLOSED) == {State.CLOSED}


@both_framings
def test_sending_and_answering_keep_the_state(framing: Framing) -> None:
    """The session's shortest way relies on it."""
    for state, row in TRANSITIONS[framing].items():
        for event in (Event.SENT, Event.ANSWERED):
            assert (event in row) == (state in MAY_SEND and state is State.READY)
            assert row.get(event, State.READY) is State.READY


def test_only_serial_lines_drain() -> None:
    assert State.DRAINING not in TRANSITIONS[Framing.MBAP]
    row = TRANSITIONS[Framing.RTU][State.READY]
    assert row[Event.TIMED_OUT] is row[Event.FAULTY] is row[Event.STRAY] is State.DRAINING


def test_a_request_is_over_once() -> None:
    """Only the overdue go one step further, and that step is never an answer."""
    assert set(REQUEST_TRANSITIONS) == set(RequestState)
    ends = {state for state, row in REQUEST_TRANSITIONS.items() if not row}
    assert ends == set(RequestState) - {RequestState.WAITING, RequestState.OVERDUE}
    assert set(REQUEST_TRANSITIONS[RequestState.OVERDUE].values()) == {RequestState.LATE, RequestState.LOST}


@both_framings
def test_the_diagram_shows_every_step(framing: Framing) -> None:
    text = diagram(framing)
    assert text.startswith("stateDiagram-v2\n    [*] --> ready\n")
    steps = sum(len(row) for row in TRANSITIONS[framing].values())
    assert len(text.splitlines()) == steps + 2
    assert "    ready --> closed: link lost" in text.splitlines()


def test_the_diagram_of_a_request() -> None:
    lines = request_diagram().splitlines()
    assert "    waiting --> overdue: deadline passed" in lines
    assert "    overdue --> late: reply fits" in lines
