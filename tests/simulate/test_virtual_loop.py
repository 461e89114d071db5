"""Virtual time: exact, fast, and never hanging."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.clock import NS_PER_S
from wherry.errors import LocalError
from wherry.simulate import virtual_loop
from wherry.simulate.virtual_loop import (
    NothingScheduledError,
    UnhandledError,
    VirtualLimitError,
    VirtualLoop,
    run_virtual,
    seconds_of,
)

DAY_NS = 24 * 3600 * NS_PER_S


def running() -> VirtualLoop:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    return loop


def test_time_stands_still_until_something_waits() -> None:
    async def main() -> list[int]:
        seen = [running().now_ns]
        for _ in range(100):
            await asyncio.sleep(0)
        seen.append(running().now_ns)
        await asyncio.sleep(3600)
        seen.append(running().now_ns)
        return seen

    assert run_virtual(main) == [0, 0, 3600 * NS_PER_S]


def test_a_chain_of_waits_does_not_drift() -> None:
    async def main() -> int:
        for _ in range(10_000):
            await asyncio.sleep(0.2)
        return running().now_ns

    assert run_virtual(main) == 2000 * NS_PER_S


def test_deadlines_in_absolute_nanoseconds_are_met_exactly() -> None:
    async def main() -> list[int]:
        loop = running()
        seen: list[int] = []
        done = loop.create_future()
        wanted = [1, 999_999_999, 7 * DAY_NS + 333_333_333, 25 * DAY_NS + 1]
        for at_ns in wanted:
            loop.call_at(at_ns / 1e9, lambda: seen.append(int(loop.time() * 1e9)))
        loop.call_at(26 * DAY_NS / 1e9, done.set_result, None)
        await done
        return [wanted_ns - seen_ns for wanted_ns, seen_ns in zip(wanted, seen, strict=True)]

    assert run_virtual(main) == [0, 0, 0, 0]


@given(st.integers(0, virtual_loop.EXACT_NS_MAX - 1))
def test_both_ways_of_reading_the_clock_give_the_same_nanoseconds(instant_ns: int) -> None:
    seconds = seconds_of(instant_ns)
    assert int(seconds * 1e9) == instant_ns
    assert round(seconds * 1e9) == instant_ns


@pytest.mark.parametrize("start_ns", [0, 400 * DAY_NS, 40_000 * DAY_NS])
def test_time_goes_on_even_where_floats_are_coarse(start_ns: int) -> None:
    async def main() -> int:
        for _ in range(1000):
            await asyncio.sleep(0.001)
        return running().now_ns - start_ns

    passed_ns = run_virtual(main, start_ns=start_ns, limit_s=2)
    assert abs(passed_ns - NS_PER_S) < NS_PER_S // 100


def test_same_instant_keeps_the_order_of_the_schedule_of_callbacks() -> None:
    async def main() -> list[str]:
        order: list[str] = []

        async def worker(name: str) -> None:
            for _ in range(3):
                await asyncio.sleep(1)
                order.append(name)

        await asyncio.gather(worker("a"), worker("b"))
        return order

    assert run_virtual(main) == run_virtual(main)


def test_nothing_scheduled_is_an_error_and_not_a_hang() -> None:
    async def main() -> None:
        await running().create_future()

    with pytest.raises(NothingScheduledError, match=r"nothing is scheduled at 0 s .* never come"):
        run_virtual(main)


def test_limit_of_virtual_time() -> None:
    async def main() -> None:
        for _ in range(11):
            await asyncio.sleep(1)

    with pytest.raises(VirtualLimitError, match="limit of 10 s"):
        run_virtual(main, limit_s=10)


def test_what_is_left_over_may_still_clean_up_after_the_limit() -> None:
    cleaned: list[int] = []

    async def left_over() -> None:
        try:
            await asyncio.sleep(100)
        finally:
            await asyncio.sleep(5)
            cleaned.append(running().now_ns)

    async def main() -> None:
        await asyncio.gather(left_over(), asyncio.sleep(50))

    with pytest.raises(VirtualLimitError):
        run_virtual(main, limit_s=1)
    assert cleaned == [5 * NS_PER_S]


def test_running_in_a_circle_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(virtual_loop, "STEPS_AT_ONE_INSTANT_MAX", 1000)

    async def main() -> None:
        for _ in range(1001):
            await asyncio.sleep(0)

    with pytest.raises(VirtualLimitError, match="runs in a circle"):
        run_virtual(main)


def raise_wrong() -> None:
    raise ValueError("wrong")


async def raise_later() -> None:
    await asyncio.sleep(1)
    raise_wrong()


def plain_callback(loop: asyncio.AbstractEventLoop) -> None:
    loop.call_later(1, raise_wrong)


def forgotten_task(loop: asyncio.AbstractEventLoop) -> None:
    loop.create_task(raise_later())


@pytest.mark.parametrize("start", [plain_callback, forgotten_task])
def test_an_error_that_nobody_handles_ends_the_run(start: Callable[[asyncio.AbstractEventLoop], None]) -> None:
    async def main() -> None:
        start(asyncio.get_running_loop())
        await asyncio.sleep(10)

    with pytest.raises(UnhandledError, match="wrong") as caught:
        run_virtual(main)
    assert isinstance(caught.value.__cause__, ValueError)


def test_threads_are_refused() -> None:
    async def main() -> None:
        await asyncio.to_thread(raise_wrong)

    with pytest.raises(LocalError, match="virtual time"):
        run_virtual(main)


def test_real_connections_are_refused() -> None:
    async def main() -> None:
        await running().create_connection(asyncio.Protocol, "localhost", 502)

    with pytest.raises(LocalError, match="network in memory"):
        run_virtual(main)


def test_time_outs_and_cancelling_work() -> None:
    async def main() -> int:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(2.5):
                await asyncio.sleep(100)
        return running().now_ns

    assert run_virtual(main) == 2_500_000_000
