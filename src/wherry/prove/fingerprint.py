"""One set of test values for a plan, so that a place that is wrong gives another result for each way of being wrong.

The source is given a value by name, for each place that the plan takes; the registers are read; and the receiver's
program is looked at. What is seen there then tells which place is wrong, and how (``wherry.prove.naming``). A bit has
two states only, so one set of values has several steps where a plan has bits: in each step every value is given once.

The set is drawn by chance and then held against every declared fault of every place, on both sides: where two of them
would look the same, the values are drawn again, and if that does not help, there are more steps. What no values tell
apart is told (``limits_of``): a scale of ten cannot be seen where only 0 may be given.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from wherry.errors import LocalError
from wherry.plan.model import Plan, Table
from wherry.prove.mapping_faults import (
    Change,
    FaultKind,
    Image,
    Pattern,
    Shown,
    can_show,
    given_bits,
    own_changes,
    patterns,
    shown_as,
    word_pattern,
)
from wherry.prove.places import Content, Place, draw, receiver_places, source_places
from wherry.values import codec

STEPS_MAX: Final = 4
"""For numbers. More steps have not told more apart in any plan tried."""

ROUNDS: Final = 5
"""How often values are drawn again that do not tell all apart."""

WORD_BITS_MIN: Final = 16
"""A register of which only some bits are known is not told by fewer than these, over all steps."""

DIGITS_SEEN: Final = 6
"""Of a number with decimals that a program shows, so many significant digits are told apart. Whole ones are exact."""

Changes = tuple[Change, ...]
"""What is different in truth; empty: nothing is."""

Address = tuple[str, Table, int]
"""Controller, table, address of one item."""


class Side(StrEnum):
    """Whose place is wrong."""

    SOURCE = "source"
    RECEIVER = "receiver"


class Blind(StrEnum):
    """In which way a fault is not told."""

    RIGHT = "looks as if nothing were wrong"
    EMPTY = "is found, and looks as if nothing were there"
    ALIKE = "is found, and looks like another"


@dataclass(frozen=True, slots=True)
class Limit:
    """Faults of one place that the set does not tell, whatever values are permitted."""

    blind: Blind
    side: Side
    place: Place
    changes: tuple[Changes, ...]


class Looks:
    """What is seen at one place for each fault. Silent ones look as if the place were right, or empty."""

    def __init__(self) -> None:
        self.silent: dict[Changes, Pattern] = {}
        self._by_mask: dict[int, dict[int, list[Changes]]] = {}

    def add(self, changes: Changes, look: Pattern) -> None:
        named = self._by_mask.setdefault(look.mask, {}).setdefault(look.bits, [])
        if changes not in named:
            named.append(changes)

    def explain(self, seen: int) -> Iterator[tuple[int, Changes]]:
        """Every fault with which this could be seen, and what of it is known then (a mask)."""
        for mask, by_bits in self._by_mask.items():
            for changes in by_bits.get(seen & mask, ()):
                yield mask, changes

    def all(self) -> Iterator[tuple[Changes, Pattern]]:
        """Every fault that is not silent, with its look."""
        for mask, by_bits in self._by_mask.items():
            for bits, named in by_bits.items():
                for changes in named:
                    yield changes, Pattern(bits, mask)


def best(explained: Iterable[tuple[int, Changes]]) -> list[Changes]:
    """Those that explain most of what was seen."""
    known = [(mask.bit_count(), changes) for mask, changes in explained]
    most = max((count for count, _ in known), default=0)
    return list(dict.fromkeys(changes for count, changes in known if count == most))


class Fingerprint:
    """The set: ``steps``, the places of both sides, and what each holds in each step if the plan is right.

    ``left_out`` are places for which no permitted value was found.
    """

    def __init__(self, sources: Sequence[Place], receivers: Sequence[Place], steps: int) -> None:
        self.sources = tuple(sources)
        self.receivers = tuple(receivers)
        self.steps = steps
        self.contents: list[tuple[Content, ...]] = [() for _ in sources]
        self.puts: list[tuple[Content, ...]] = [() for _ in receivers]
        self.left_out: tuple[Place, ...] = ()
        by_name = {name: place for place in sources for name in place.names}
        self.fed_by = [by_name[each.names[0]].index for each in receivers]
        """The source place of each receiver's place."""
        self._feeds: dict[int, list[Place]] = {}
        for place, feeder in zip(self.receivers, self.fed_by, strict=True):
            self._feeds.setdefault(feeder, []).append(place)
        self._ways = [
            by_name[each.names[0]].conversions[by_name[each.names[0]].names.index(each.names[0])] for each in receivers
        ]
        self._words: dict[Address, list[Place]] = {}
        for place in self.sources:
            if place.point.bit is not None:
                self._words.setdefault(_word(place), []).append(place)
        self._items: list[dict[Address, int]] = []
        self._own: dict[int, Looks] = {}
        self._expected: dict[int, Pattern] = {}
        self._others: dict[object, Looks] = {}
        self._strangers: dict[object, dict[tuple[Shown, ...], set[int]]] = {}

    def give(self, index: int, contents: tuple[Content, ...]) -> None:
        """Set what one source place is given in each step."""
        self.contents[index] = contents
        self._own.pop(index, None)
        self._expected.pop(index, None)
        self._others.clear()

    def carry(self) -> None:
        """Work out what the receivers are put. To be called when all sources are given."""
        for place, feeder, way in zip(self.receivers, self.fed_by, self._ways, strict=True):
            put: list[Content] = []
            for content in self.contents[feeder]:
                data = way.convert(content.data).put
                assert data is not None, "drawn contents are carried"
                # Of a bit its state is put, not its register.
                number = codec.decode(place.point, data) if place.point.bit is None else bool(data[-1] & 1)
                put.append(Content(data, number, place.shown(number)))
            self.puts[place.index] = tuple(put)
        self._items = [self._written(step) for step in range(self.steps)]
        self._strangers.clear()

    def _written(self, step: int) -> dict[Address, int]:
        """Every item that is written in a step."""
        items: dict[Address, int] = {}
        for place in self.receivers:
            point, data = place.point, self.puts[place.index][step].data
            if point.bit is not None:
                key = _word(place)
                items[key] = items.get(key, 0) | (data[-1] & 1) << point.bit
                continue
            for item in range(point.count):
                is_bits = point.table.is_bits
                word = int.from_bytes(data[2 * item : 2 * item + 2], "big")
                items[place.controller, point.table, point.address + item] = (
                    data[item // 8] >> item % 8 & 1 if is_bits else word
                )
        return items

    def image(self, step: int, controller: str, table: Table, address: int) -> int:
        """What the receiver's registers hold; 0 where the plan writes nothing."""
        return self._items[step].get((controller, table, address), 0)

    def fed(self, index: int) -> Sequence[Place]:
        """The receivers' places that a source place feeds."""
        return self._feeds.get(index, ())

    def source_of(self, place: Place) -> Place:
        """The source place that feeds a receiver's."""
        return self.sources[self.fed_by[place.index]]

    def put_of(self, place: Place, data: bytes) -> bytes | None:
        """What a receiver's place is put when this is read of its source; None when that is Bad."""
        return self._ways[place.index].convert(data).put

    # The source's side.

    def expected(self, place: Place) -> Pattern:
        """What is read of a place if the plan is right."""
        found = self._expected.get(place.index)
        if found is None:
            found = self._expected[place.index] = patterns(place, place, self.contents[place.index], ())[0]
        return found

    def own_looks(self, place: Place) -> Looks:
        """What is read with nothing wrong, and with each single fault that shows no other value."""
        looks = self._own.get(place.index)
        if looks is None:
            looks = self._own[place.index] = Looks()
            expected = self.expected(place)
            looks.add((), expected)
            for change in own_changes(place):
                for look in patterns(place, place, self.contents[place.index], (change,)):
                    is_right = not expected.mask & ~look.mask and expected.fits(look.bits)
                    if is_right or look.is_silent(place.window_bits, self.steps):
                        looks.silent[change,] = look
                    else:
                        looks.add((change,), look)
        return looks

    def other_looks(self, place: Place) -> Looks:
        """What is read when another value lies there; also the place itself, and its own register."""
        point = place.point
        key = (place.window_bits, point.table.is_bits, place.is_bool, point.bit)
        looks = self._others.get(key)
        if looks is None:
            looks = self._others[key] = Looks()
            for origin in self.sources:
                if can_show(place, origin):
                    # As a stranger: its bit is where this place looks for its own.
                    stranger = replace(place, index=-1)
                    for first in range(1 if origin.point.table.is_bits else origin.point.count):
                        change = Change(FaultKind.OTHER, origin=origin.index, shift=-first)
                        for look in patterns(stranger, origin, self.contents[origin.index], (change,)):
                            if not look.is_plain(place.window_bits, self.steps):
                                looks.add((change,), look)
            for bools in self._words.values() if not point.table.is_bits else ():
                bits = [(each.point.bit or 0, self.contents[each.index]) for each in bools]
                if len(bits) * self.steps >= WORD_BITS_MIN:
                    change = Change(FaultKind.OTHER, origin=bools[0].index, is_word=True)
                    looks.add((change,), word_pattern(place, bits))
        return looks

    def is_elsewhere(self, place: Place, changes: Changes) -> bool:
        """Whether another value, not in the place's own register as far as a whole register is meant, is seen."""
        first = changes[0] if changes else None
        if first is None or first.kind is not FaultKind.OTHER:
            return True
        origin = self.sources[first.origin]
        return origin.index != place.index and not (first.is_word and _word(origin) == _word(place))

    def explain(self, place: Place, seen: int) -> list[Changes]:
        """The single faults with which this could be read at a place; ``[()]`` if nothing is wrong. Those that are
        silent are not among them."""
        if self.expected(place).fits(seen):
            return [()]
        own = list(self.own_looks(place).explain(seen))
        # Where its own content is found elsewhere in what was read, it is no news that its place holds another's.
        elsewhere = 0
        for mask, _ in own:
            elsewhere |= mask & ~given_bits(place.window_bits, self.steps)
        others = [
            (mask, changes)
            for mask, changes in self.other_looks(place).explain(seen)
            if self.is_elsewhere(place, changes) and (mask & elsewhere or not own)
        ]
        return best([*own, *others])

    # The receiver's side.

    def shown(self, place: Place, changes: Changes, image: Image | None = None) -> list[tuple[Shown, ...]]:
        """What the receiver's program shows for a place. Several where more than one is possible."""
        return shown_of(self.receivers, place, changes, image or self.image, self.steps)

    def others_shown(self, place: Place) -> dict[tuple[Shown, ...], set[int]]:
        """What the receiver's program shows when it looks at another place, and at which (their indices)."""
        point = place.point
        key = (point.type, point.order, point.table.is_bits, point.bit is None, place.line, place.is_bool)
        found = self._strangers.get(key)
        if found is None:
            found = self._strangers[key] = {}
            for other in self.receivers:
                if other.is_bool == place.is_bool:
                    for shown in self.shown(place, (Change(FaultKind.OTHER, origin=other.index),)):
                        found.setdefault(key_of(shown), set()).add(other.index)
        return found


def shown_of(
    places: Sequence[Place], place: Place, changes: Changes, image: Image, steps: int
) -> list[tuple[Shown, ...]]:
    """What a program shows for a place with some faults, if the registers hold ``image``. Several where more than one
    is possible."""
    if not changes or changes[0].kind is not FaultKind.OTHER:
        return [shown_as(place, place, changes, image, steps)]
    at, rest = places[changes[0].origin], changes[1:]
    found = [shown_as(at, at, rest, image, steps)]
    if at.point.table.is_bits == place.point.table.is_bits:
        # Or the program looks there for a value of its own type.
        point = replace(place.point, table=at.point.table, address=at.point.address, bit=at.point.bit)
        moved = replace(place, controller=at.controller, point=point)
        found.append(shown_as(moved, moved, rest, image, steps))
    return list(dict.fromkeys(found))


def _word(place: Place) -> Address:
    return place.controller, place.point.table, place.point.address


# Which faults look alike.


def alike_at_source(mark: Fingerprint, place: Place) -> tuple[set[Changes], set[frozenset[Changes]]]:
    """Single faults that look as if the place were right or empty, and pairs of single faults that look alike.

    What the source holds beside the values is taken to stand still while the values move.
    """
    own = mark.own_looks(place)
    pairs: set[frozenset[Changes]] = set()
    ones = (1 << place.window_bits) - 1
    still = 0
    for _ in range(mark.steps):
        still = still << (place.window_bits + 1) | ones
    for changes, look in own.all():
        for fill in (0, still):
            seen = look.bits | fill & ~look.mask
            for each in mark.explain(place, seen) if changes else ():
                if each != changes:
                    pairs.add(frozenset((changes, each)))
    return set(own.silent), pairs


def alike_others(mark: Fingerprint) -> set[frozenset[int]]:
    """Pairs of source places that hold the same in all steps, so that one cannot be told in the place of the other."""
    found: set[frozenset[int]] = set()
    kinds = {(each.window_bits, each.point.table.is_bits, each.is_bool): each for each in mark.sources}
    for place in kinds.values():
        looks = mark.other_looks(place)
        for changes, look in looks.all():
            for other in best(looks.explain(look.bits)):
                if other[0].origin != changes[0].origin and not any(
                    each.is_word or each.shift for each in (other[0], changes[0])
                ):
                    found.add(frozenset((other[0].origin, changes[0].origin)))
    return found


def key_of(shown: Sequence[Shown]) -> tuple[Shown, ...]:
    """The same for two that cannot be told apart by eye."""
    return tuple(f"{each:.{DIGITS_SEEN}g}" if isinstance(each, float) else each for each in shown)


def is_silent(shown: Sequence[Shown]) -> bool:
    """Whether a program that reads a place where nothing is written could show the same."""
    return shown[0] in (None, 0, False, "") and all(each == shown[0] for each in shown)


def alike_at_receiver(mark: Fingerprint, place: Place) -> tuple[set[Changes], set[frozenset[Changes]]]:
    """As ``alike_at_source``, of what the receiver's program shows. Two faults that make it look at one and the same
    register in the same way are one fault, and not told of here: a shift by one onto the place before."""
    others = mark.others_shown(place)
    table: dict[tuple[Shown, ...], list[Change]] = {}
    silent: set[Changes] = set()
    expected = key_of(mark.shown(place, ())[0])
    pairs: set[frozenset[Changes]] = set()
    for change in own_changes(place, is_receiver=True):
        for shown in mark.shown(place, (change,)):
            key = key_of(shown)
            if key == expected or is_silent(shown):
                silent.add((change,))
                continue
            pairs.update(frozenset(((change,), (each,))) for each in table.get(key, ()))
            table.setdefault(key, []).append(change)
            onto = place.point.address + change.shift if change.shift else -1
            pairs.update(
                frozenset(((change,), (Change(FaultKind.OTHER, origin=index),)))
                for index in others.get(key, ())
                if index != place.index and mark.receivers[index].point.address != onto
            )
    silent.update(
        (Change(FaultKind.OTHER, origin=index),) for index in others.get(expected, ()) if index != place.index
    )
    return silent, pairs


def limits_of(mark: Fingerprint) -> tuple[Limit, ...]:
    """What the set cannot see, cannot name, or cannot tell apart."""
    found: list[Limit] = []
    for side, places, look in (
        (Side.SOURCE, mark.sources, alike_at_source),
        (Side.RECEIVER, mark.receivers, alike_at_receiver),
    ):
        for place in (each for each in places if not each.is_beside):
            silent, pairs = look(mark, place)
            for blind, is_right in ((Blind.RIGHT, True), (Blind.EMPTY, False)):
                its = sorted((each for each in silent if looks_right(mark, side, place, each) is is_right), key=str)
                found += [Limit(blind, side, place, tuple(its))] if its else []
            found += [Limit(Blind.ALIKE, side, place, tuple(sorted(pair, key=str))) for pair in sorted(pairs, key=str)]
    return (*found, *_limits_of_others(mark))


def _limits_of_others(mark: Fingerprint) -> Iterator[Limit]:
    """Values that cannot be told in the place of another."""
    for place in mark.sources:
        if not place.is_beside and mark.expected(place).is_plain(place.window_bits, mark.steps):
            yield Limit(Blind.EMPTY, Side.SOURCE, place, ((Change(FaultKind.OTHER, origin=place.index),),))
    pairs = {(Side.SOURCE, min(pair), max(pair)) for pair in alike_others(mark)}
    by_key: dict[tuple[Shown, ...], list[int]] = {}
    for place in mark.receivers:
        by_key.setdefault(key_of(mark.shown(place, ())[0]), []).append(place.index)
    for same in by_key.values():
        pairs |= {(Side.RECEIVER, same[0], other) for other in same[1:]}
    for side, one, other in sorted(pairs):
        place = (mark.sources if side is Side.SOURCE else mark.receivers)[one]
        changes = tuple((Change(FaultKind.OTHER, origin=index),) for index in (one, other))
        yield Limit(Blind.ALIKE, side, place, changes)


def looks_right(mark: Fingerprint, side: Side, place: Place, changes: Changes) -> bool:
    """Whether the same may be seen with a fault as without any."""
    if side is Side.RECEIVER:
        return key_of(mark.shown(place, ())[0]) in map(key_of, mark.shown(place, changes))
    expected = mark.expected(place)
    looks = patterns(place, place, mark.contents[place.index], changes)
    return any(not expected.mask & ~look.mask and expected.fits(look.bits) for look in looks)


def not_told(found: tuple[set[Changes], set[frozenset[Changes]]]) -> int:
    """How many there are of both."""
    silent, pairs = found
    return len(silent) + len(pairs)


def _weight(mark: Fingerprint, index: int) -> int:
    """How many faults of a source place, and of those that it feeds, are not told apart."""
    place = mark.sources[index]
    count = 0 if place.is_beside else not_told(alike_at_source(mark, place))
    return count + sum(not_told(alike_at_receiver(mark, each)) for each in mark.fed(index))


# Choosing.


def fingerprint_of(plan: Plan, rng: random.Random, *, beside: bool = False) -> Fingerprint:
    """A set of test values for a plan. LocalError when it takes no value, or none that may be given.

    ``beside``: the source can also be given contents for the unused registers next to single ones.
    """
    sources, receivers = list(source_places(plan, beside=beside)), list(receiver_places(plan))
    if not sources:
        raise LocalError("the plan takes no value: there is nothing to give to a source")
    missing = [place for place in sources if not place.is_bool and draw(place, 0, rng) is None]
    names = {name for place in missing for name in place.names}
    sources = [replace(each, index=index) for index, each in enumerate(p for p in sources if p not in missing)]
    receivers = [
        replace(each, index=index) for index, each in enumerate(p for p in receivers if p.names[0] not in names)
    ]
    if not sources:
        raise LocalError("no permitted value was found for any place of the plan")
    bools = sum(each.is_bool for each in sources)
    steps_for_bools = 1 + bools.bit_length() if bools else 1
    mark = Fingerprint(sources, receivers, max(STEPS_MAX, steps_for_bools))
    mark.left_out = tuple(missing)
    weights = _choose(mark, rng)
    for steps in range(1, STEPS_MAX):
        shorter = _shortened(mark, steps, max(steps, steps_for_bools), rng)
        if _is_as_good(shorter, weights):
            return shorter
    return mark


def _is_as_good(mark: Fingerprint, weights: Sequence[int]) -> bool:
    """Whether it tells as much apart, at every place."""
    return not alike_others(mark) and all(_weight(mark, index) <= weight for index, weight in enumerate(weights))


def _choose(mark: Fingerprint, rng: random.Random) -> list[int]:
    """Draw all values, and again those that do not tell all apart; returns how much stays so at each place.

    What no values tell apart is the same for places of one kind: one that is as good as the best of its kind is left
    alone; where there are few of a kind, after another try.
    """
    _give_bools(mark, rng)
    numbers = [place for place in mark.sources if not place.is_bool]
    for place in numbers:
        _give(mark, place, rng)
    mark.carry()
    weights = [_weight(mark, index) for index in range(len(mark.sources))]
    kinds = Counter(map(_kind, numbers))
    least = dict.fromkeys(kinds, 1 << 30)
    for round_number in range(ROUNDS):
        for place in numbers:
            least[_kind(place)] = min(least[_kind(place)], weights[place.index])
        same = {index for pair in alike_others(mark) for index in pair}
        again = [
            place
            for place in numbers
            if place.index in same
            or weights[place.index] > (0 if round_number == 0 and kinds[_kind(place)] < 3 else least[_kind(place)])
        ]
        before = list(mark.contents)
        for place in again:
            _give(mark, place, rng)
        mark.carry()
        for place in again:
            weight = _weight(mark, place.index)
            if weight > weights[place.index] and place.index not in same:
                mark.give(place.index, before[place.index])
            else:
                weights[place.index] = weight
        mark.carry()
    return weights


def _kind(place: Place) -> object:
    """Places for which the same faults cannot be told apart."""
    ends = tuple((value.range, value.put.type, value.scale, value.not_available) for value in place.values)
    return place.point.type, place.point.order, place.line, ends


def _shortened(mark: Fingerprint, number_steps: int, steps: int, rng: random.Random) -> Fingerprint:
    """The same set with fewer steps; numbers stay as they are after ``number_steps``."""
    made = Fingerprint(mark.sources, mark.receivers, steps)
    made.left_out = mark.left_out
    _give_bools(made, rng)
    for place in mark.sources:
        if not place.is_bool:
            first = mark.contents[place.index][:number_steps]
            made.give(place.index, first + first[-1:] * (steps - number_steps))
    made.carry()
    return made


def _give(mark: Fingerprint, place: Place, rng: random.Random) -> None:
    """Draw the values of a place; those of the last step stay."""
    drawn: list[Content] = []
    for step in range(mark.steps):
        content = draw(place, step, rng) if step < STEPS_MAX else None
        drawn.append(content or drawn[-1])
    mark.give(place.index, tuple(drawn))


def _give_bools(mark: Fingerprint, rng: random.Random) -> None:
    """Each bit moves in its own way, and no two the same or just the other way round."""
    bools = [each for each in mark.sources if each.is_bool]
    whole = (1 << mark.steps) - 1
    for place, way in zip(bools, rng.sample(range(1, max(2, 1 << mark.steps - 1)), len(bools)), strict=True):
        way ^= whole if rng.getrandbits(1) else 0
        states = [bool(way >> step & 1) for step in range(mark.steps)]
        bit = place.point.bit  # what is read is its whole register
        data = [
            codec.encode(place.point, state) if bit is None else (state << bit).to_bytes(2, "big") for state in states
        ]
        mark.give(place.index, tuple(map(Content, data, states, states)))
