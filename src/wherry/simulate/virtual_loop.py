"""An asyncio event loop whose clock is a number: when nothing is ready it jumps to the next deadline.

A day of the exchange passes in seconds, and twice the same way. Everything that waits must wait on the loop's time and
speak over a network in memory; sockets, signals and threads have no place here, and asking for them is an error.

The clock is a whole number of nanoseconds. ``time()`` gives it in seconds as the float from which both ``int(t * 1e9)``
and ``round(t * 1e9)`` get the same number back (for 26 days, after which a float's steps come near a nanosecond), and a
deadline in seconds is taken as the nearest nanosecond, so that a chain of waits does not drift.
"""

from __future__ import annotations

import asyncio
import contextvars
import math
from collections import deque
from collections.abc import Callable, Coroutine
from functools import partial
from heapq import heappop, heappush
from typing import Any, Final, TypeVar

from wherry.clock import NS_PER_S
from wherry.errors import LocalError

T = TypeVar("T")

EXACT_NS_MAX: Final = 1 << 51
"""26 days: below this the product of a float of seconds and 1e9 is right to less than half a nanosecond."""
STEPS_AT_ONE_INSTANT_MAX: Final = 1_000_000
"""Turns of the loop without time passing; more is taken as something that runs in a circle."""


class NothingScheduledError(LocalError):
    """Nothing is ready, nothing is scheduled, and what was to be run is not finished: on a real clock it would hang."""


class VirtualLimitError(LocalError):
    """The virtual time that was allowed is over, or time stopped passing."""


class UnhandledError(LocalError):
    """An error that no one handled reached the event loop; on a real loop it would only have been logged."""


class _Due:
    """A callback whose turn comes: what ``call_soon``, ``call_at`` and ``call_later`` give back.

    It does what asyncio's own handles do here, without what those keep for debugging.
    """

    __slots__ = ("args", "callback", "context", "is_cancelled", "when_ns")

    def __init__(
        self,
        callback: Callable[..., object],
        args: tuple[Any, ...],
        context: contextvars.Context | None,
        when_ns: int = 0,
    ) -> None:
        self.callback: Callable[..., object] | None = callback
        self.args = args
        self.context = context if context is not None else contextvars.copy_context()
        self.when_ns = when_ns
        self.is_cancelled = False

    def cancel(self) -> None:
        """It will not be called."""
        self.is_cancelled = True
        self.callback = None
        self.args = ()

    def cancelled(self) -> bool:
        """Whether it was cancelled."""
        return self.is_cancelled

    def when(self) -> float:
        """When it is due, in seconds."""
        return seconds_of(self.when_ns)


class VirtualLoop(asyncio.BaseEventLoop):
    """The event loop in virtual time. ``limit_ns`` is the latest instant it may reach.

    ``strict`` ends the run with ``UnhandledError`` on an exception in a callback or in a task nobody waits for.
    ``look_ns`` is how far the clock moves on at each look at ``now_ns``. With 0 code takes no time at all, so that two
    looks in one callback are the same instant; on a machine they never are. What is due at one instant comes in the
    order in which it was asked for.
    """

    # BaseEventLoop leaves the selector, waking up and the processing of events to its subclasses. The schedule and the
    # turns are done here as well: tuples of whole nanoseconds are several times as quick as asyncio's handles, and a
    # rehearsal does little else. None of this is public, but it was the same in 3.11, 3.12 and 3.13 when tried; the
    # tests of this module fail first if it changes.

    def __init__(
        self, *, start_ns: int = 0, limit_ns: int | None = None, strict: bool = True, look_ns: int = 0
    ) -> None:
        assert start_ns >= 0, start_ns
        assert look_ns >= 0, look_ns
        super().__init__()
        self._now_ns = start_ns
        self._limit_ns = limit_ns
        self._look_ns = look_ns
        self._steps_left = STEPS_AT_ONE_INSTANT_MAX
        self._unhandled: dict[str, Any] | None = None
        self._timers: list[tuple[int, int, _Due]] = []
        self._timer_count = 0
        self._soon: deque[Any] = deque()
        self._ready = self._soon
        if strict:
            self.set_exception_handler(_keep_unhandled)

    def time(self) -> float:
        """Virtual seconds."""
        return seconds_of(self._now_ns)

    @property
    def now_ns(self) -> int:
        """Virtual nanoseconds."""
        if self._look_ns:
            self._now_ns += self._look_ns
        return self._now_ns

    @property
    def instant_ns(self) -> int:
        """Virtual nanoseconds, for whoever only watches: this look never takes time."""
        return self._now_ns

    @property
    def clock(self) -> Callable[[], int]:
        """A function that gives ``now_ns``, as quickly as that can be done."""
        return partial(getattr, self, "now_ns" if self._look_ns else "_now_ns")

    # The schedule.

    def call_soon(  # type: ignore[override]
        self, callback: Callable[..., object], *args: Any, context: contextvars.Context | None = None
    ) -> _Due:
        """As in asyncio: in the next turn."""
        due = _Due(callback, args, context)
        self._soon.append(due)
        return due

    def call_later(  # type: ignore[override]
        self, delay: float, callback: Callable[..., object], *args: Any, context: contextvars.Context | None = None
    ) -> _Due:
        """As in asyncio: after ``delay`` seconds."""
        return self.call_at(self.time() + delay, callback, *args, context=context)

    def call_at(  # type: ignore[override]
        self, when: float, callback: Callable[..., object], *args: Any, context: contextvars.Context | None = None
    ) -> _Due:
        """As in asyncio: at an instant in seconds, taken as the nearest nanosecond."""
        return self._schedule(_Due(callback, args, context, round(when * NS_PER_S)))

    def call_at_ns(self, when_ns: int, callback: Callable[..., object]) -> _Due:
        """The same at an instant in nanoseconds."""
        return self._schedule(_Due(callback, (), None, when_ns))

    def _schedule(self, due: _Due) -> _Due:
        if self._closed:  # type: ignore[attr-defined]
            raise RuntimeError("Event loop is closed")
        self._timer_count = number = self._timer_count + 1
        heappush(self._timers, (due.when_ns, number, due))
        return due

    def _run_once(self) -> None:
        """One turn: let time pass if nothing is ready, and call what is."""
        if self._unhandled is not None:
            self._raise_unhandled()
        ready, timers = self._soon, self._timers
        if ready or self._stopping:  # type: ignore[attr-defined]
            self._steps_left -= 1
            if not self._steps_left:
                raise VirtualLimitError(
                    f"{STEPS_AT_ONE_INSTANT_MAX:,} turns of the loop at {self.time():g} s of virtual time without time "
                    "passing: something runs in a circle"
                )
        else:
            self._jump()
        now_ns = self._now_ns
        while timers and timers[0][0] <= now_ns:
            ready.append(heappop(timers)[2])
        for _ in range(len(ready)):
            due = ready.popleft()
            if type(due) is not _Due:
                # From parts of asyncio that put handles of their own there.
                due._run()
            elif due.callback is not None:
                try:
                    due.context.run(due.callback, *due.args)
                except (SystemExit, KeyboardInterrupt):
                    raise
                except BaseException as fault:  # noqa: BLE001 - as asyncio's handles do
                    self.call_exception_handler({"message": f"Exception in {due.callback!r}", "exception": fault})

    def _jump(self) -> None:
        """Time passes until the next that is due."""
        timers = self._timers
        while timers and timers[0][2].is_cancelled:
            heappop(timers)
        if not timers:
            raise NothingScheduledError(
                f"nothing is ready and nothing is scheduled at {self.time():g} s of virtual time, but what was run is "
                "not finished: something waits for an event that will never come"
            )
        next_ns = timers[0][0]
        if self._limit_ns is not None and next_ns > self._limit_ns:
            raise VirtualLimitError(
                f"the limit of {self._limit_ns / NS_PER_S:g} s of virtual time is reached, and what was run is not "
                f"finished (next: {next_ns / NS_PER_S:g} s)"
            )
        if next_ns > self._now_ns:
            self._now_ns = next_ns
            self._steps_left = STEPS_AT_ONE_INSTANT_MAX

    def close(self) -> None:
        """As in asyncio."""
        super().close()
        self._timers.clear()

    # What BaseEventLoop asks of a subclass.

    def _process_events(self, event_list: list[object]) -> None:
        assert not event_list

    def _write_to_self(self) -> None:
        """Nothing to wake: this loop never blocks."""

    def _raise_unhandled(self) -> None:
        context, self._unhandled = self._unhandled, None
        assert context is not None
        cause = context.get("exception")
        raise UnhandledError(f"{context.get('message', 'unhandled error')}: {cause!r}") from cause

    # What has no place in virtual time.

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> Any:  # type: ignore[override]
        """Refused: a thread lives on the real clock."""
        raise LocalError(
            "something was to run in a thread, but in virtual time there is none; wait on the loop's own time, and use "
            "a network in memory"
        )


def _keep_unhandled(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    assert isinstance(loop, VirtualLoop)
    if loop._unhandled is None:
        loop._unhandled = context


def seconds_of(instant_ns: int) -> float:
    """The float of seconds from which ``int(t * 1e9)`` gives the same nanoseconds back (below ``EXACT_NS_MAX``)."""
    seconds = instant_ns / NS_PER_S
    if int(seconds * 1e9) < instant_ns < EXACT_NS_MAX:
        seconds = math.nextafter(seconds, math.inf)
    return seconds


def run_virtual(
    main: Coroutine[Any, Any, T] | Callable[[], Coroutine[Any, Any, T]],
    *,
    limit_s: float | None = None,
    start_ns: int = 0,
    strict: bool = True,
    look_ns: int = 0,
) -> T:
    """Run a coroutine (or a function that makes one) to its end in virtual time; returns what it returns.

    Raises what it raises; NothingScheduledError instead of hanging, VirtualLimitError after ``limit_s`` virtual
    seconds, UnhandledError for an error that reached only the loop (unless ``strict`` is False).
    ``look_ns``: what a look at the clock costs.
    """
    coroutine = main() if callable(main) else main
    limit_ns = None if limit_s is None else start_ns + round(limit_s * NS_PER_S)
    made: list[VirtualLoop] = []

    def make() -> VirtualLoop:
        made.append(VirtualLoop(start_ns=start_ns, limit_ns=limit_ns, strict=strict, look_ns=look_ns))
        return made[0]

    with asyncio.Runner(loop_factory=make) as runner:
        try:
            result = runner.run(coroutine)
            if made[0]._unhandled is not None:
                made[0]._raise_unhandled()
        finally:
            # What is left over is cancelled on the way out; that may take time, and must not hide how the run ended.
            made[0]._limit_ns = None
            made[0]._unhandled = None
            made[0].set_exception_handler(None)
        return result
