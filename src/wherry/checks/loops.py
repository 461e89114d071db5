"""Chains of values that come back to where they began."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from wherry.checks.notation import device
from wherry.checks.rule import Judged
from wherry.plan.model import Point, Table, Transfer, Value

Place = tuple[tuple[str, int, int], Table, int]


@dataclass(frozen=True)
class Node:
    """One value as a step from the place where it is taken to the place where it is put."""

    transfer: Transfer
    value: Value


def find_loops(judged: Judged) -> Iterator[list[Node]]:
    """One shortest loop for each set of values that feed each other, in the order of travel, the last-declared last."""
    nodes = [Node(transfer, value) for transfer in judged.plan.transfers for value in transfer.values]
    follows = _follows(judged, nodes)
    if not follows:
        return
    for members in _knots(follows):
        last = max(members)
        yield [nodes[index] for index in _way_round(follows, last, members)]


def _follows(judged: Judged, nodes: Sequence[Node]) -> dict[int, list[int]]:
    """For each value the values that are taken from where it is put."""
    written = {device(judged.destination(each)) for each in judged.plan.transfers}
    read = {device(judged.source(each)) for each in judged.plan.transfers}
    both = written & read
    takers: dict[Place, list[int]] = {}
    for index, node in enumerate(nodes):
        where = device(judged.source(node.transfer))
        if where in both:
            for place in _places(where, node.value.take):
                takers.setdefault(place, []).append(index)
    follows: dict[int, list[int]] = {}
    for index, node in enumerate(nodes):
        where = device(judged.destination(node.transfer))
        if where not in both:
            continue
        found = {
            taker
            for place in _places(where, node.value.put)
            for taker in takers.get(place, ())
            if _share_bits(node.value.put, nodes[taker].value.take)
        }
        if found:
            follows[index] = sorted(found)
    return follows


def _places(where: tuple[str, int, int], point: Point) -> list[Place]:
    return [(where, point.table, address) for address in range(point.address, point.address + point.count)]


def _share_bits(one: Point, other: Point) -> bool:
    return one.bit is None or other.bit is None or one.bit == other.bit


def _knots(follows: dict[int, list[int]]) -> list[set[int]]:
    """The sets of values that each lead to every other one (strongly connected components; Tarjan 1972, iterative)."""
    number: dict[int, int] = {}
    low: dict[int, int] = {}
    on_stack: set[int] = set()
    stack: list[int] = []
    knots: list[set[int]] = []
    for root in follows:
        if root in number:
            continue
        work = [(root, iter(follows[root]))]
        number[root] = low[root] = len(number)
        stack.append(root)
        on_stack.add(root)
        while work:
            node, rest = work[-1]
            child = next(rest, None)
            if child is not None:
                if child not in number:
                    number[child] = low[child] = len(number)
                    stack.append(child)
                    on_stack.add(child)
                    work.append((child, iter(follows.get(child, ()))))
                elif child in on_stack:
                    low[node] = min(low[node], number[child])
                continue
            work.pop()
            if work:
                low[work[-1][0]] = min(low[work[-1][0]], low[node])
            if low[node] == number[node]:
                knot = set(_pop_until(stack, node))
                on_stack -= knot
                if len(knot) > 1 or node in follows.get(node, ()):
                    knots.append(knot)
    return sorted(knots, key=min)


def _pop_until(stack: list[int], node: int) -> Iterator[int]:
    while True:
        top = stack.pop()
        yield top
        if top == node:
            return


def _way_round(follows: dict[int, list[int]], last: int, members: set[int]) -> list[int]:
    """The shortest way from ``last`` back to itself, beginning with the value behind it."""
    before: dict[int, int] = {}
    queue = deque([last])
    while queue:
        node = queue.popleft()
        for child in follows.get(node, ()):
            if child == last:
                way = [last]
                while node != last:
                    way.append(node)
                    node = before[node]
                return way[::-1]
            if child in members and child not in before:
                before[child] = node
                queue.append(child)
    raise AssertionError("a knot has a way round")
