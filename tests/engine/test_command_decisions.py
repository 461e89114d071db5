"""What a command asks next, and what it makes of what came: the decisions alone."""

from __future__ import annotations

import pytest

from wherry.engine.command import RESULT_NOT_READ, Ask, Command, Outcome, Phase, Sent

MS = 1_000_000
S = 1000 * MS


def at_rest(number: int = 5, **more: bool) -> Command:
    """A command that has seen this number and waits for the next one."""
    given = {"has_values": False, "has_own_writes": False, "has_result": False, "has_answer": False, "is_armed": True}
    command = Command(S, **(given | more))
    assert command.next(0) is Ask.REQUEST
    command.seen_request(number, 0)
    assert command.next(0) is None
    return command


def asks(command: Command, now_ns: int) -> list[Ask]:
    """Everything that is asked in one period when nothing is answered."""
    command.release()
    found = []
    while (ask := command.next(now_ns)) is not None:
        found.append(ask)
    return found


def ask_for(command: Command, number: int, now_ns: int) -> None:
    command.release()
    assert command.next(now_ns) is Ask.REQUEST
    command.seen_request(number, now_ns)


def test_the_number_is_written_once_whatever_becomes_of_the_reply() -> None:
    command = at_rest()
    ask_for(command, 6, 100 * MS)
    assert command.next(100 * MS) is Ask.RECEIVER
    command.seen_receiver(5, 5)
    assert command.next(100 * MS) is Ask.PUT_NUMBER
    command.number_put(Sent.UNSURE, "no reply in time")
    assert [asks(command, at * 100 * MS) for at in range(2, 10)] == [[Ask.REQUEST, Ask.ACKNOWLEDGE]] * 8
    assert asks(command, S) == [Ask.REQUEST]
    assert command.last is not None
    assert command.last.outcome is Outcome.UNKNOWN


def test_a_write_that_never_left_may_be_made_again_with_everything_read_anew() -> None:
    command = at_rest(has_values=True)
    for at in (1, 2):
        ask_for(command, 6, at * 100 * MS)
        assert command.next(at * 100 * MS) is Ask.VALUES
        command.seen_values("", 6)
        assert command.next(at * 100 * MS) is Ask.RECEIVER
        command.seen_receiver(5, 5)
        assert command.next(at * 100 * MS) is Ask.PUT_NUMBER
        command.number_put(Sent.NOT_SENT, "not connected")
    assert asks(command, S) == [Ask.REQUEST]
    assert command.counts[Outcome.EXPIRED] == 1


@pytest.mark.parametrize(
    ("acknowledged", "put", "phase", "outcome"),
    [(6, 5, Phase.IDLE, Outcome.REFUSED), (5, 6, Phase.AWAITING, None), (5, 5, Phase.SENDING, None)],
)
def test_the_receiver_is_looked_at_before_it_is_written(
    acknowledged: int, put: int, phase: Phase, outcome: Outcome | None
) -> None:
    command = at_rest()
    ask_for(command, 6, 0)
    assert command.next(0) is Ask.RECEIVER
    command.seen_receiver(acknowledged, put)
    assert command.phase is phase
    assert (command.last.outcome if command.last else None) is outcome


def test_a_number_that_comes_back_after_a_zero_is_no_new_request() -> None:
    command = at_rest()
    for number in (0, 5, 0, 5):
        ask_for(command, number, 0)
        assert command.next(0) is None
    assert command.requested == 0


def test_a_request_that_is_replaced_while_it_is_read_is_not_written() -> None:
    command = at_rest(has_values=True)
    ask_for(command, 6, 0)
    assert command.next(0) is Ask.VALUES
    command.seen_values("", 7)
    assert command.counts[Outcome.REFUSED] == 1
    ask_for(command, 7, 0)
    assert command.next(0) is Ask.VALUES


def test_the_age_counts_from_the_last_look_that_did_not_show_it() -> None:
    command = at_rest()
    ask_for(command, 5, 300 * MS)
    ask_for(command, 6, 900 * MS)
    assert command.until_ns == 300 * MS + S


def test_the_next_request_ages_while_one_is_at_work() -> None:
    command = at_rest()
    ask_for(command, 6, 100 * MS)
    ask_for(command, 7, 200 * MS)
    command.next(200 * MS)
    command.seen_receiver(6, 5)
    ask_for(command, 7, 900 * MS)
    assert (command.requested, command.number, command.until_ns) == (2, 7, 100 * MS + S)


def test_an_acknowledged_request_is_executed_though_its_result_cannot_be_read() -> None:
    command = at_rest(has_result=True)
    ask_for(command, 6, 0)
    command.next(0)
    command.seen_receiver(5, 6)
    assert command.next(0) is Ask.ACKNOWLEDGE
    command.seen_acknowledge(6)
    assert asks(command, 2 * S - 1) == [Ask.REQUEST, Ask.RESULT]
    asks(command, 2 * S)
    assert command.last is not None
    assert (command.last.outcome, command.last.result) == (Outcome.EXECUTED, RESULT_NOT_READ)
