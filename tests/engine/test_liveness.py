"""The source's own counter must move; before it has moved once, nothing is given on."""

from __future__ import annotations

from wherry.engine.liveness import Liveness

S = 1_000_000_000


def test_waits_for_the_first_movement_then_trusts_then_notices_standstill() -> None:
    liveness = Liveness(S)
    assert "waiting" in liveness.judge(b"\0\1", 0)
    assert "waiting" in liveness.judge(b"\0\1", S // 2)
    assert liveness.judge(b"\0\2", S) == ""
    assert liveness.judge(b"\0\2", 2 * S) == ""
    assert "stands still" in liveness.judge(b"\0\2", 2 * S + 1)
    assert "stands still" in liveness.judge(b"\0\2", 3 * S)
    assert liveness.judge(b"\0\3", 4 * S) == ""


def test_a_counter_that_never_moves_is_found_out() -> None:
    liveness = Liveness(S)
    liveness.judge(b"\0\1", 0)
    assert "waiting" in liveness.judge(b"\0\1", S // 2)
    assert "stands still" in liveness.judge(b"\0\1", S + 1)


def test_after_a_gap_it_must_move_again() -> None:
    liveness = Liveness(S)
    liveness.judge(b"\0\1", 0)
    assert liveness.judge(b"\0\2", S // 2) == ""
    assert "waiting" in liveness.judge(b"\0\7", 2 * S)
    assert "waiting" in liveness.judge(b"\0\7", 3 * S)
    assert "stands still" in liveness.judge(b"\0\7", 3 * S + 1)
    assert liveness.judge(b"\0\10", 4 * S) == ""


def test_a_reading_older_than_the_newest_tells_nothing_new() -> None:
    liveness = Liveness(S)
    liveness.judge(b"\0\1", 0)
    assert liveness.judge(b"\0\2", S // 2) == ""
    assert liveness.judge(b"\0\1", S // 4) == ""
    assert liveness.judge(b"\0\2", S) == ""
    assert "stands still" in liveness.judge(b"\0\2", 2 * S)
    assert "stands still" in liveness.judge(b"\0\1", S)
