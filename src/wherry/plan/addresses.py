"""Which controllers share a connection: the units behind one address."""

from __future__ import annotations

from collections.abc import Iterable

from wherry.plan.model import Controller, Framing


def by_address(controllers: Iterable[Controller]) -> list[list[Controller]]:
    """The controllers of each host, port and framing, in their order."""
    together: dict[tuple[str, int, Framing], list[Controller]] = {}
    for each in controllers:
        together.setdefault((each.host.lower(), each.port, each.framing), []).append(each)
    return list(together.values())


def share(controllers: Iterable[Controller]) -> list[list[Controller]]:
    """The controllers of each connection: those of one address, in as many connections as the gentlest of them stands.

    Behind RTU framing it is always one, because the serial line behind it is.
    """
    shared: list[list[Controller]] = []
    for group in by_address(controllers):
        most = 1 if group[0].framing is Framing.RTU else min(each.limits.connections for each in group)
        count = min(len(group), most)
        shared += [group[index::count] for index in range(count)]
    return shared
