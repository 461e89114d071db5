"""How often the places of a plan are written, and when a place that wears out is worn out. Pure arithmetic.

Two numbers for each place: how often it is written whatever happens (every cycle, or `refresh`), and how often it can
be written at most, when the value changes all the time (`shortest`, or else every cycle). What a command puts is
written only when it is asked for, and at most once in a period.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from wherry.checks.rule import Judged
from wherry.findings import Path
from wherry.plan.model import YEAR_NS, Command, Controller, Span, Storage, Transfer, Value

NS_PER_S: Final = 1_000_000_000
DAY_NS: Final = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Wear:
    """How often one place is written. ``per_s_sure`` at least, ``per_s_most`` at most; ``path`` and ``name`` tell whose
    it is, ``key`` what sets the pace: "every" of the transfer, or "refresh", "shortest" or "deadband" of the value."""

    controller: Controller
    transfer: Transfer
    span: Span
    name: str
    path: Path
    storage: Storage
    key: str
    interval_ns: int
    per_s_sure: float
    per_s_most: float

    @property
    def life_sure_ns(self) -> float | None:
        """After which time it is worn out whatever happens; None: not known to be ever."""
        return self.controller.endurance / self.per_s_sure * NS_PER_S if self.per_s_sure else None

    @property
    def life_least_ns(self) -> float:
        """After which time it is worn out when the value changes all the time."""
        return self.controller.endurance / self.per_s_most * NS_PER_S

    @property
    def needed_interval_ns(self) -> int:
        """The least time between two writes with which it lasts as long as it must."""
        return -(-self.controller.life_ns // self.controller.endurance)


def wear_of(judged: Judged) -> Iterator[Wear]:
    """Every place that the plan writes and that is not declared as volatile, in the order of the file.

    Values in the same place (bits of one register) count together: those of one transfer leave in one request.
    """
    found: dict[tuple[str, Span], list[Wear]] = {}
    for transfer in judged.plan.transfers:
        for wear in _of_transfer(judged.destination(transfer), transfer):
            if wear.storage is not Storage.VOLATILE:
                found.setdefault((transfer.destination, wear.span), []).append(wear)
    for command in judged.plan.commands:
        for wear in _of_command(judged, command):
            if wear.storage is not Storage.VOLATILE:
                found.setdefault((wear.controller.name, wear.span), []).append(wear)
    for together in found.values():
        yield _joined(together)


def _joined(together: Sequence[Wear]) -> Wear:
    """The wear of one place, told of the value that is written most often."""
    most = max(together, key=lambda each: (each.storage is Storage.NON_VOLATILE, each.per_s_sure, each.per_s_most))
    sure: dict[str, float] = {}
    least: dict[str, float] = {}
    for each in together:
        name = each.transfer.name
        sure[name] = max(sure.get(name, 0.0), each.per_s_sure)
        least[name] = max(least.get(name, 0.0), each.per_s_most)
    return Wear(
        most.controller,
        most.transfer,
        most.span,
        most.name,
        most.path,
        most.storage,
        most.key,
        most.interval_ns,
        sum(sure.values()),
        sum(least.values()),
    )


def _of_transfer(controller: Controller, transfer: Transfer) -> Iterator[Wear]:
    groups: dict[str, list[Value]] = {}
    for value in transfer.values:
        if value.group:
            groups.setdefault(value.group, []).append(value)
    for value in transfer.values:
        # A group is written whole, when one of its members is due and none must wait.
        members = groups.get(value.group, [value])
        least_ns = max(_rounded_up(each.shortest_ns, transfer.period_ns) for each in members)
        key, interval_ns, is_sure = _pace(value, members, transfer.period_ns, least_ns)
        yield Wear(
            controller,
            transfer,
            value.put.span,
            f"`{value.name}`",
            value.path,
            value.storage,
            key,
            interval_ns,
            NS_PER_S / interval_ns if is_sure else 0.0,
            NS_PER_S / least_ns,
        )
    if transfer.status is not None:
        path = (*transfer.path, "status")
        name = f"the status of `{transfer.name}`"
        per_s = NS_PER_S / transfer.period_ns
        yield Wear(
            controller, transfer, transfer.status, name, path, transfer.storage, "every", transfer.period_ns, per_s,
            per_s,
        )  # fmt: skip


def _of_command(judged: Judged, command: Command) -> Iterator[Wear]:
    """The parameters and the request number in the destination, and the answer in the source."""
    for transfer in (command.as_transfer, command.answer_as_transfer):
        if transfer is None:
            continue
        controller = judged.destination(transfer)
        for value in transfer.values:
            storage = controller.storage if value.storage is Storage.UNKNOWN else value.storage
            name = f"`{value.name}` of command `{command.name}`" if value in command.values else f"the {value.name}"
            most_per_s = NS_PER_S / command.period_ns
            yield Wear(
                controller, transfer, value.put.span, name, value.path, storage, "every", command.period_ns, 0.0,
                most_per_s,
            )  # fmt: skip


def _pace(value: Value, members: Sequence[Value], period_ns: int, least_ns: int) -> tuple[str, int, bool]:
    """Which key sets how often a value is written, the time between two writes, and whether they come for sure."""
    held_back = "shortest" if least_ns > period_ns else "every"
    if any(not each.is_on_change for each in members):
        return held_back, least_ns, True
    refreshes = [each.refresh_ns for each in members if each.refresh_ns is not None]
    if refreshes:
        # It is written with the last cycle that is not too late.
        return "refresh", max(least_ns, min(refreshes) // period_ns * period_ns), True
    return (held_back if held_back == "shortest" or value.deadband is None else "deadband"), least_ns, False


def _rounded_up(least_ns: int, period_ns: int) -> int:
    return max(1, -(-least_ns // period_ns)) * period_ns


def long_time_text(time_ns: float) -> str:
    """A time in the unit people would use for it: ``17 days``, ``5.6 hours``, ``27 years``."""
    for unit_ns, word in ((YEAR_NS, "year"), (DAY_NS, "day"), (3600 * NS_PER_S, "hour"), (60 * NS_PER_S, "minute")):
        if time_ns >= unit_ns:
            number = time_ns / unit_ns
            text = f"{number:.1f}" if number < 10 else f"{number:,.0f}"
            text = text.removesuffix(".0")
            return f"{text} {word}{'' if text == '1' else 's'}"
    return f"{time_ns / NS_PER_S:.0f} seconds"
