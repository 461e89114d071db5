"""Stands between a survey and its device: keeps the budget, and ends the survey when the device suffers from it.

A small read that is known to be answered is made again every now and then. When it takes much longer than at first, or
is not answered any more, or when the connection is lost where nothing was tried that could explain it, the survey ends
at once, and what it has found so far is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from wherry.clock import NS_PER_MS
from wherry.protocol.prepared import Prepared
from wherry.survey.asking import Answer, Ask, Exchange, Kind, Procedure, cost
from wherry.survey.course import survey
from wherry.survey.found import Found, Settings
from wherry.survey.pace import is_kept, median

EVERY: Final = 25
"""Requests between two of those small reads."""
FIRST: Final = 3
SLOWER_TIMES: Final = 3
SLOWER_BY_NS: Final = 20 * NS_PER_MS
SLOW_MAX: Final = 2
"""Slow ones in a row that end the survey."""
AGAIN: Final = 2
"""How often a request is made again whose outcome may be chance."""
LOST_MAX: Final = 10
"""Connections that may be lost where something was tried that may have been too much, or while an answer was waited for
in vain: some devices close what was quiet for a second."""

Progress = Callable[[int], None]


class _OverError(Exception):
    """The survey ends; why."""


class Supervision:
    """Watches over one survey."""

    def __init__(self, settings: Settings, found: Found, on_progress: Progress | None = None) -> None:
        self._settings = settings
        self._found = found
        self._on_progress = on_progress or (lambda _requests: None)
        self._canary: Prepared | None = None
        self._usual_ns: list[int] = []
        self._since = 0
        self._slow = 0
        self._lost = 0

    def procedure(self) -> Procedure[None]:
        """The whole survey, watched."""
        inner = survey(self._settings, self._found, self._take_canary)
        try:
            ask = next(inner)
            while True:
                answer = yield from self._asked(ask)
                ask = inner.send(answer)
        except StopIteration:
            return
        except _OverError as over:
            self._found.ended = str(over)
        finally:
            inner.close()

    def _take_canary(self, prepared: Prepared) -> None:
        self._canary = prepared

    def _asked(self, ask: Ask) -> Procedure[Answer]:
        if isinstance(ask, Exchange) and not ask.may_fail and self._since >= EVERY:
            yield from self._look()
        answer = yield from self._send(ask)
        if not isinstance(ask, Exchange):
            return answer
        self._judge(ask, answer)
        for _ in range(0 if ask.once else AGAIN):
            if not answer.is_doubtful:
                break
            if not ask.may_fail:
                yield from self._look()
            answer = yield from self._send(ask)
            self._judge(ask, answer)
        return answer

    def _judge(self, ask: Exchange, answer: Answer) -> None:
        """End the survey when the connection was lost for no reason of ours."""
        if answer.kind is Kind.LOST:
            self._lost += 1
            if not ask.may_fail or self._lost > LOST_MAX:
                raise _OverError(f"the connection was lost: {answer.why}")

    def _send(self, ask: Ask) -> Procedure[Answer]:
        needed = cost(ask)
        if self._found.requests + needed > self._settings.budget:
            raise _OverError(f"the budget of {self._settings.budget:,} requests is used up")
        self._found.requests += needed
        self._since += needed
        answer = yield ask
        self._on_progress(self._found.requests)
        return answer

    def _look(self) -> Procedure[None]:
        """Make the small read."""
        if self._canary is None:
            return
        self._since = 0
        answer = yield from self._send(Exchange(self._canary))
        if answer.kind is Kind.LOST:
            raise _OverError(f"the connection was lost: {answer.why}")
        if not is_kept(answer):
            # Once more, after the pace: one request may be lost on any network.
            answer = yield from self._send(Exchange(self._canary))
            if not is_kept(answer):
                raise _OverError(f"a read that was answered before is not any more ({answer})")
        if len(self._usual_ns) < FIRST:
            self._usual_ns.append(answer.elapsed_ns)
            return
        usual_ns = median(self._usual_ns)
        if answer.elapsed_ns <= SLOWER_TIMES * usual_ns + SLOWER_BY_NS:
            self._slow = 0
            return
        self._slow += 1
        if self._slow >= SLOW_MAX:
            raise _OverError(
                f"the device gets slower: a read that took {usual_ns / NS_PER_MS:.1f} ms takes "
                f"{answer.elapsed_ns / NS_PER_MS:.1f} ms"
            )
        self._since = EVERY
