"""Never more in flight, connections, items or requests a second than a controller allows; a return backs off."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from math import ceil
from typing import Any, ClassVar, Final

from wherry.plan.model import Controller
from wherry.rehearse.checkers.base import MS, Checker, Report, S, World
from wherry.rehearse.tap import Ask, Link

SLACK_NS: Final = 50_000
"""The engine looks at its clock a little before a frame leaves."""
JITTER_LEAST: Final = 0.5
"""The shortest wait before a new connection, as a share of the planned one (ours, docs/run.md)."""
WAITS_TO_JUDGE: Final = 8
HOUR_NS: Final = 3600 * S


class Polite(Checker):
    """Counts for each controller."""

    NAME: ClassVar[str] = "polite"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        names = [each.name for each in self.plan.controllers]
        self._open: dict[str, set[Link]] = {name: set() for name in names}
        self._sent: dict[str, deque[int]] = {}
        for each in self.plan.controllers:
            if each.limits.requests_per_s:
                self._sent[each.name] = deque(maxlen=max(1, ceil(each.limits.requests_per_s)))
        self._attempts: dict[tuple[str, int], int] = {}
        self._began_ns: dict[tuple[str, int], int] = {}
        self._ended_ns: dict[tuple[str, int], int | None] = {}
        self._was_silent: dict[tuple[str, int], bool] = {}
        self._shares: dict[str, list[float]] = {}
        self._tried: dict[tuple[str, int], deque[int]] = {}

    # Requests.

    def asked(self, link: Link, ask: Ask) -> None:
        controller, now_ns, head = ask.controller, ask.at_ns, ask.head
        limits = controller.limits
        name = controller.name
        waiting = link.waiting
        if len(waiting) > 1 and (in_flight := link.in_flight(now_ns)) > (1 if link.is_rtu else limits.in_flight):
            self.wrong(name, f"{in_flight} requests were in flight, {limits.in_flight} are allowed")
        if head.function in (1, 2) and head.count > limits.read_bits:
            self.wrong(name, f"{head.count} bits were read at once, {limits.read_bits} are allowed")
        elif head.function in (3, 4) and head.count > limits.read_registers:
            self.wrong(name, f"{head.count} registers were read at once, {limits.read_registers} are allowed")
        elif head.function == 0x0F and head.count > limits.write_bits:
            self.wrong(name, f"{head.count} bits were written at once, {limits.write_bits} are allowed")
        elif head.function == 0x10 and head.count > limits.write_registers:
            self.wrong(name, f"{head.count} registers were written at once, {limits.write_registers} are allowed")
        if (
            limits.gap_ns
            and link.last_answer_ns is not None
            and now_ns - link.last_answer_ns < limits.gap_ns - SLACK_NS
        ):
            gap_ms = (now_ns - link.last_answer_ns) / MS
            self.wrong(name, f"a request left {gap_ms:.3f} ms after an answer, {limits.gap_ns / MS:g} ms are asked for")
        if limits.requests_per_s:
            self._judge_rate(name, limits.requests_per_s, now_ns)

    def _judge_rate(self, name: str, rate: float, now_ns: int) -> None:
        sent = self._sent[name]
        if len(sent) == sent.maxlen and now_ns - sent[0] < len(sent) / rate * S * (1 - 1e-6) - SLACK_NS:
            span_ms = (now_ns - sent[0]) / MS
            self.wrong(name, f"{len(sent) + 1} requests left within {span_ms:.1f} ms, {rate:g} a second are allowed")
        sent.append(now_ns)

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        self._attempts[_place(ask.controller)] = 0

    def refused(self, ask: Ask, code: int, at_ns: int) -> None:
        self._attempts[_place(ask.controller)] = 0

    # Connections. What units of one address have in common is counted by the address.

    def connecting(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        first = controllers[0]
        key = _place(first)
        self._judge_connects(controllers, key, at_ns)
        ended_ns, attempts = self._ended_ns.get(key), self._attempts.get(key, 0)
        self._attempts[key] = attempts + 1
        began_ns, self._began_ns[key] = self._began_ns.get(key, 0), at_ns
        if ended_ns is None or len(controllers) > 1 < min(each.limits.connections for each in controllers):
            # With several connections to one address it cannot be told which one this is.
            return
        limits = [each.limits for each in controllers]
        first_ns, most_ns = max(each.reconnect_ns for each in limits), max(each.reconnect_ns_max for each in limits)
        # An attempt that nobody answers at all is repeated without growing waits.
        doublings = 0 if self._was_silent.get(key) else min(max(attempts - 1, 0), 16)
        planned_ns = min(most_ns, first_ns << doublings)
        # What grows is the time from one attempt to the next; the wait alone is never shorter than the first.
        waited_ns, passed_ns = at_ns - ended_ns, at_ns - began_ns
        is_grown = waited_ns > first_ns
        self._shares.setdefault(first.name, []).append(passed_ns / planned_ns if is_grown else waited_ns / first_ns)
        if waited_ns < first_ns * JITTER_LEAST - SLACK_NS or passed_ns < planned_ns * JITTER_LEAST - SLACK_NS:
            self.wrong(
                first.name,
                f"attempt {attempts + 1} to connect came {waited_ns / MS:.0f} ms after the end of the one before and "
                f"{passed_ns / MS:.0f} ms after its beginning; the first wait is {first_ns / MS:.0f} ms, and it grows "
                f"to {planned_ns / MS:.0f} ms",
            )

    def _judge_connects(self, controllers: tuple[Controller, ...], key: tuple[str, int], at_ns: int) -> None:
        """Attempts to connect within any hour, against the least that a controller of the address stands."""
        most = min((each.limits.connects_per_hour for each in controllers if each.limits.connects_per_hour), default=0)
        if not most:
            return
        tried = self._tried.setdefault(key, deque(maxlen=most))
        if len(tried) == most and at_ns - tried[0] <= HOUR_NS:
            self.wrong(controllers[0].name, f"{most + 1} attempts to connect within an hour, {most} are allowed")
        tried.append(at_ns)

    def failed(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        key = _place(controllers[0])
        self._ended_ns[key] = at_ns
        self._was_silent[key] = at_ns - self._began_ns[key] >= min(each.limits.timeout_ns for each in controllers)

    def opened(self, link: Link, at_ns: int) -> None:
        for each in link.controllers:
            links = self._open[each.name]
            links.add(link)
            if len(links) > each.limits.connections:
                allowed = each.limits.connections
                self.wrong(each.name, f"{len(links)} connections were open, {allowed} are allowed")

    def closed(self, link: Link, at_ns: int) -> None:
        for each in link.controllers:
            self._open[each.name].discard(link)
        key = _place(link.controllers[0])
        self._was_silent[key] = False
        # One that the controller closed while nothing was asked may be made again as soon as there is something; and
        # one that several units share is made anew after each time-out where late replies could not be told apart.
        is_renewed = link.is_rtu and len(link.controllers) > 1
        self._ended_ns[key] = None if link.was_clean or is_renewed else at_ns

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        for name, shares in self._shares.items():
            if len(shares) >= WAITS_TO_JUDGE and max(shares) - min(shares) < 0.01:
                self.wrong(name, f"{len(shares)} waits before connecting were all alike: they have no jitter")


def _place(controller: Controller) -> tuple[str, int]:
    return controller.host, controller.port
