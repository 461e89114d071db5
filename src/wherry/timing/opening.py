"""Connections that do not last: those of one exchange, and those that are given up before the device closes them.

What is asked for on a connection that was closed waits for the next one: until the device had time to notice that the
last one was closed, for connecting, and until it is known who answers. That is as if it were asked for later.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from wherry.clock import NS_PER_S
from wherry.limits import READ_REGISTERS_MAX
from wherry.packing.functions import READ_FUNCTIONS
from wherry.plan.model import Controller, Span, Table
from wherry.timing.conditions import FRAME_BYTES_MIN, Conditions, Measured, Work, work_of
from wherry.timing.link_limits import CLOSING_NS, LINGER_NS, LinkLimits, idle_wait_ns

HANDSHAKE_FRAMES: Final = 7
"""Three to open a connection and four to close it (RFC 9293, 3.5 and 3.6)."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What happens on a connection that was not used for ``unused_ns``.

    ``connect_ns`` is the longest that what is asked for then waits for a new one, without the requests that find out
    who answers: those are ``asked``, by controller. A connection that is kept in use instead has one read, and no
    ``connect_ns``.
    """

    unused_ns: int
    connect_ns: int
    asked: tuple[tuple[str, Work], ...]

    @property
    def is_closed(self) -> bool:
        """Whether it is closed; else something is read to keep it."""
        return self.connect_ns > 0

    @property
    def asking_ns(self) -> int:
        return sum(work.slot_ns for _, work in self.asked)

    @property
    def wait_ns(self) -> int:
        """The longest that it keeps something waiting."""
        return self.connect_ns + self.asking_ns

    def slowed(self, controllers: Collection[str], more_ns: int) -> Opening:
        """The same with controllers that take so much longer for each request."""
        return replace(
            self,
            asked=tuple(
                (name, replace(work, exchange_ns=work.exchange_ns + more_ns, slot_ns=work.slot_ns + more_ns))
                if name in controllers
                else (name, work)
                for name, work in self.asked
            ),
        )


def opening_of(
    controllers: Sequence[Controller],
    limits: LinkLimits,
    works: Sequence[tuple[str, Work]],
    conditions: Conditions,
    measured: Measured | None,
) -> Opening | None:
    """Of the connection to these controllers, on which requests with these ``works`` are made; None: it lasts."""
    if limits.is_per_exchange:
        unused_ns = LINGER_NS
    elif limits.idle_ns is not None:
        unused_ns = idle_wait_ns(limits.idle_ns)
        if any(each.limits.connects_per_hour is not None for each in controllers):
            longest = max(works, key=lambda each: each[1].slot_ns)
            return Opening(unused_ns, 0, (longest,))
    else:
        return None
    there_and_back_ns = 2 * conditions.latency_ns + conditions.handle_ns
    if conditions.bytes_per_s:
        there_and_back_ns += round(2 * FRAME_BYTES_MIN * NS_PER_S / conditions.bytes_per_s)
    asked = tuple(
        (each.name, work) for each in controllers for work in _identifying(each, limits, conditions, measured)
    )
    return Opening(unused_ns, CLOSING_NS + conditions.wake_ns + there_and_back_ns, asked)


def _identifying(
    controller: Controller, limits: LinkLimits, conditions: Conditions, measured: Measured | None
) -> Iterator[Work]:
    """The requests that find out whether it is the device of the plan: its identification in one reply, and each of
    the declared registers."""
    identity = controller.identity
    if identity is None:
        return

    def asked(of: Controller, span: Span) -> Work:
        return work_of(
            of,
            READ_FUNCTIONS[span.table],
            span,
            gap_ns=limits.gap_ns,
            spacing_ns=limits.spacing_ns,
            conditions=conditions,
            measured=None if measured is None else measured.responses.get(controller.name),
        )

    if identity.objects:
        # As many bytes as a reply may have; registers it has none.
        plain = replace(controller, response=replace(controller.response, per_register_ns=0))
        yield asked(plain, Span(Table.HOLDING, 0, READ_REGISTERS_MAX))
    for each in identity.registers:
        yield asked(controller, each.at.span)
