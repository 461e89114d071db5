"""What is wrong with a plan, named from what was seen while a source was given its test values. Pure.

Each place is judged for itself: a fault of one place is named whatever else is wrong. Single faults come before pairs
of them, and what explains more of what was seen before what explains less. What fits nothing is told as just that.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final

from wherry.prove.fingerprint import Blind, Changes, Fingerprint, Limit, Side, best, is_silent, shown_of
from wherry.prove.mapping_faults import (
    Change,
    FaultKind,
    Image,
    Pattern,
    Shown,
    can_show,
    is_nearly,
    own_changes,
    pairs_of,
    patterns,
    seen_bits,
    truth_of,
)
from wherry.prove.places import Place

TOLERANCE: Final = 1e-5
"""How far a number with decimals that is read off may be from what the registers hold, as a share of it."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """One place (or two that are swapped) where something else is seen than the plan says.

    ``candidates`` are the faults that would look just so; none: no declared fault does.
    """

    side: Side
    places: tuple[Place, ...]
    candidates: tuple[Changes, ...]
    sentence: str

    @property
    def is_named(self) -> bool:
        """Whether there is just one fault that looks so."""
        return len(self.candidates) == 1


def judge_source(mark: Fingerprint, seen: Mapping[int, Sequence[bytes | None]]) -> tuple[Wrong, ...]:
    """What is wrong on the source's side. ``seen``: for each place, by its index in ``mark.sources``, what was read in
    each step, as it travels; None where the source could not be given the value. Places left out are not judged.
    """
    bits = {index: seen_bits(mark.sources[index], datas) for index, datas in seen.items()}
    found: dict[int, tuple[Changes, ...]] = {}
    for index, each in bits.items():
        place = mark.sources[index]
        if not place.is_beside and not mark.expected(place).fits(each):
            found[index] = tuple(_at_source(mark, place, each, seen[index]))
    still = {index for index in found if _is_still(mark.sources[index], bits[index], mark.steps)}
    same = {
        index: next((other for other, each in bits.items() if other != index and each == bits[index]), None)
        for index, candidates in found.items()
        if not candidates and index not in still
    }
    known = {index: other for index, other in same.items() if other is not None}
    return _told(Side.SOURCE, mark.sources, found, known, still)


def judge_receiver(
    mark: Fingerprint, seen: Mapping[int, Sequence[Shown]], image: Image | None = None, tolerance: float = TOLERANCE
) -> tuple[Wrong, ...]:
    """What is wrong on the receiver's side. ``seen``: for each place, by its index in ``mark.receivers``, what the
    receiver's program showed in each step, in the place's unit; None where nothing could be read off.

    ``image``: what the receiver's registers hold, if that was read; else what the plan writes, and 0 beside it.
    """
    return judge_shown(Showing(Side.RECEIVER, mark.receivers, image or mark.image, mark.steps, tolerance), seen)


@dataclass(frozen=True, slots=True)
class Showing:
    """Registers that were read in so many steps, and the places that a program shows of them on its own display."""

    side: Side
    places: Sequence[Place]
    image: Image
    """What the registers hold; what was not read counts as 0."""
    steps: int
    tolerance: float = TOLERANCE
    """How far a number may be off, as a share of it."""
    within: Mapping[int, float] = field(default_factory=dict)
    """And how far in the place's unit, by its index."""

    def fits(self, place: Place, changes: Changes, seen: Sequence[Shown]) -> bool:
        """Whether the program may show this, with some faults of the plan or with none."""
        return any(
            all(self._equal(place, one, other) for one, other in zip(shown, seen, strict=True))
            for shown in shown_of(self.places, place, changes, self.image, self.steps)
        )

    def _equal(self, place: Place, one: Shown, other: Shown) -> bool:
        if isinstance(one, int | float) and isinstance(other, int | float):
            if isinstance(one, int) and isinstance(other, int) and place.index not in self.within:
                return one == other
            return math.isclose(one, other, rel_tol=self.tolerance, abs_tol=self.within.get(place.index, 0.0))
        return one == other

    def singles(self, place: Place) -> list[Changes]:
        """Every single fault of a place."""
        others = [
            Change(FaultKind.OTHER, origin=other.index)
            for other in self.places
            if other.index != place.index and other.is_bool == place.is_bool
        ]
        return [(each,) for each in (*own_changes(place, is_receiver=True), *others)]


def judge_shown(showing: Showing, seen: Mapping[int, Sequence[Shown]], *, pairs: bool = True) -> tuple[Wrong, ...]:
    """What is wrong, from what a program shows of registers that were read: on the receiver's side what its program
    makes of what was written; on the source's side, where no test values can be given, what its own display shows of
    what was read. ``seen`` by the place's index; places left out are not judged. ``pairs``: two faults of one place are
    thought of too."""
    found: dict[int, tuple[Changes, ...]] = {}
    for index, each in seen.items():
        place = showing.places[index]
        if not showing.fits(place, (), each):
            candidates = _of_shown(showing, place, each, pairs=pairs)
            found[index] = tuple(_as_read(showing.side, changes) for changes in candidates)
    still = {index for index in found if is_silent(seen[index])}
    return _told(showing.side, showing.places, found, {}, still)


def unseen_of(showing: Showing, seen: Mapping[int, Sequence[Shown]]) -> tuple[Limit, ...]:
    """What the values that happened to be there cannot show: single faults with which the same would have been seen at
    a place that is right. Where values of the day are compared this is what the comparing leaves open."""
    found: list[Limit] = []
    for index, each in seen.items():
        place = showing.places[index]
        if showing.fits(place, (), each):
            changes = tuple(changes for changes in showing.singles(place) if showing.fits(place, changes, each))
            told = tuple(_as_read(showing.side, each) for each in changes)
            found += [Limit(Blind.RIGHT, showing.side, place, told)] if told else []
    return tuple(found)


def _as_read(side: Side, changes: Changes) -> Changes:
    """On the source's side a factor says how large the true register is, not what a display makes of it."""
    if side is Side.RECEIVER:
        return changes
    return tuple(replace(each, factor=1 / each.factor) for each in changes)


# One place.


def _at_source(mark: Fingerprint, place: Place, seen: int, datas: Sequence[bytes | None]) -> list[Changes]:
    candidates = mark.explain(place, seen)
    partly = [mask for mask, each in mark.own_looks(place).explain(seen) if each in candidates]
    if partly and not place.is_bool and max(partly) != (1 << (place.window_bits + 1) * mark.steps) - 1:
        # Where only a part of what was read is explained, two faults that explain more of it are likelier.
        most = max(mask.bit_count() for mask in partly)
        more = [(mask, pair) for mask, pair in _own_pairs(mark, place, seen) if mask.bit_count() > most]
        return best(more) or candidates
    if candidates:
        return candidates
    if _is_still(place, seen, mark.steps):
        # A single register that lies beside the place is not seen at all: it may be either of the two.
        single = place.point.count == 1 and not place.is_bool and not place.point.table.is_bits
        beside: list[Changes] = [(Change(FaultKind.SHIFT, shift=shift),) for shift in (1, -1) if single]
        return [changes for changes, look in mark.own_looks(place).silent.items() if look.fits(seen)] + beside
    scales: list[Changes] = [(each,) for each in own_changes(place) if each.kind is FaultKind.SCALE]
    near = [each for each in scales if is_nearly(place, mark.contents[place.index], each, datas)]
    return near or list(dict.fromkeys(_pairs_at_source(mark, place, seen)))


def _is_still(place: Place, seen: int, steps: int) -> bool:
    """Whether a place where nothing is could look so."""
    return Pattern(seen, (1 << (place.window_bits + 1) * steps) - 1).is_silent(place.window_bits, steps)


def _own_pairs(mark: Fingerprint, place: Place, seen: int) -> list[tuple[int, Changes]]:
    """Every two faults of the place with which this could be read, and what of it is known then."""
    contents = mark.contents[place.index]
    return [
        (look.mask, pair)
        for pair in pairs_of(own_changes(place))
        for look in patterns(place, place, contents, pair)
        if look.fits(seen)
    ]


def _pairs_at_source(mark: Fingerprint, place: Place, seen: int) -> Iterator[Changes]:
    explained = _own_pairs(mark, place, seen)
    for origin in mark.sources:
        if origin.index != place.index and can_show(place, origin) and not origin.is_beside:
            contents = mark.contents[origin.index]
            for change in own_changes(origin):
                if change.kind in (FaultKind.SHIFT, FaultKind.BIT):
                    continue
                changes = (Change(FaultKind.OTHER, origin=origin.index), change)
                looks = patterns(place, origin, contents, (change,))
                explained += [
                    (look.mask, changes)
                    for look in looks
                    if look.fits(seen) and not look.is_silent(place.window_bits, mark.steps)
                ]
    yield from best(explained)


def _of_shown(showing: Showing, place: Place, seen: Sequence[Shown], *, pairs: bool) -> list[Changes]:
    def fitting(wanted: Iterable[Changes]) -> list[Changes]:
        return [changes for changes in wanted if showing.fits(place, changes, seen)]

    singles = showing.singles(place)
    if is_silent(seen):  # as where nothing is written; what else could look so says little
        few = (FaultKind.SHIFT, FaultKind.WIDTH, FaultKind.BIT)
        return fitting(each for each in singles if each[0].kind in few)
    found = list(_once(showing.places, place, fitting(singles)))
    if found or not pairs or all(each is None for each in seen):
        return found
    own = own_changes(place, is_receiver=True)
    others = [each for (each,) in singles if each.kind is FaultKind.OTHER]
    return fitting([*pairs_of(own), *((other, each) for other in others for each in own if each.shift == 0)])


def _once(every: Sequence[Place], place: Place, found: Sequence[Changes]) -> Iterator[Changes]:
    """Without those that are the same thing: a shift onto another value's place, and another bit that is a value."""
    at = place.point
    places = [every[each[0].origin].point for each in found if each[0].kind is FaultKind.OTHER]
    shifts = [each[0].shift for each in found if each[0].kind is FaultKind.SHIFT]
    for changes in found:
        first = changes[0]
        if first.kind is FaultKind.OTHER:
            if every[first.origin].point.address - at.address in shifts:
                continue
        elif first.kind is FaultKind.BIT and any(
            (each.table, each.address, each.bit) == (at.table, at.address, first.bit) for each in places
        ):
            continue
        yield changes


# All of them, in words.


def _told(
    side: Side,
    places: Sequence[Place],
    found: Mapping[int, tuple[Changes, ...]],
    same: Mapping[int, int],
    still: Collection[int],
) -> tuple[Wrong, ...]:
    told: list[Wrong] = []
    swapped: set[int] = set()
    for index, candidates in found.items():
        place = places[index]
        if index in swapped:
            continue
        other = _only_other(candidates)
        if other is not None and _only_other(found.get(other, ())) == index:
            swapped.add(other)
            pair = (place, places[other])
            told.append(Wrong(side, pair, candidates, f"{_called(place)} and {_called(places[other])} are swapped"))
        elif not candidates and index in same:
            text = f"{_called(place)}: the same is read as at {_called(places[same[index]])}"
            told.append(Wrong(side, (place,), ((Change(FaultKind.OTHER, origin=same[index]),),), text))
        else:
            reason = _reason(side, places, place, candidates)
            if index in still and candidates:
                reason = f"it stands still, as where nothing is; or {reason}"
            told.append(Wrong(side, (place,), candidates, f"{_called(place)}: {reason}"))
    return tuple(told)


def _only_other(candidates: Sequence[Changes]) -> int | None:
    """The place whose content is seen, if that is the one explanation."""
    if len(candidates) == 1 and len(candidates[0]) == 1:
        change = candidates[0][0]
        if change.kind is FaultKind.OTHER and not change.is_word and not change.shift:
            return change.origin
    return None


def moved_together(wrong: Sequence[Wrong], places: Sequence[Place]) -> list[str]:
    """Sentences about tables of which every place is wrong, and those that tell it are off by the same number of
    registers: one mistake, not many."""
    found: list[str] = []
    own = [each for each in places if not each.is_beside]
    for controller, table in dict.fromkeys((each.controller, each.point.table) for each in own):
        members = {each.index for each in own if (each.controller, each.point.table) == (controller, table)}
        its = [each for each in wrong if each.places[0].index in members]
        if {place.index for each in its for place in each.places} != members:
            continue
        shifts = [{_shift(each.places[0], places, changes) for changes in each.candidates} - {None} for each in its]
        known = [each for each in shifts if each]
        sure = [each for each in known if len(each) == 1]
        common = set.intersection(*known) - {0} if len(sure) > 1 else set()
        if len(common) == 1:
            (by,) = common
            assert by is not None
            where = f"{abs(by)} {'register' if abs(by) == 1 else 'registers'} {'further' if by > 0 else 'before'}"
            found.append(
                f"all {len(members)} places of {controller} ({table}) are wrong, and of {len(sure)} it is seen that "
                f"they lie {where}: look at how its manual counts"
            )
    return found


def _shift(place: Place, places: Sequence[Place], changes: Changes) -> int | None:
    """By how much the value that is seen lies further than the plan says."""
    if len(changes) != 1:
        return None
    change = changes[0]
    if change.kind is FaultKind.SHIFT:
        return change.shift
    if change.kind is FaultKind.OTHER:
        origin = places[change.origin]
        if (origin.controller, origin.point.table) == (place.controller, place.point.table):
            return place.point.address - origin.point.address + change.shift
    return None


def _called(place: Place) -> str:
    return f"`{place.name}` ({place.controller}, {place.point})"


def _reason(side: Side, places: Sequence[Place], place: Place, candidates: Sequence[Changes]) -> str:
    if not candidates:
        return "what is seen there is none of the test values: nothing is there, or something else"
    told = list(dict.fromkeys(describe(side, places, place, changes) for changes in candidates))
    if len(told) > 3:
        return f"{len(told)} faults would look so, among them: {'; '.join(told[:3])}"
    return "; or ".join(told)


def describe(side: Side, places: Sequence[Place], place: Place, changes: Changes) -> str:
    """A fault in words: how it is in truth, against the plan."""
    parts: list[str] = []
    subject = place
    for change in changes:
        if change.kind is FaultKind.OTHER:
            origin = places[change.origin]
            if origin.index == place.index:
                parts.append("it is seen in the place of another")
            elif change.is_word:
                parts.append(f"the register of {_called(origin)} is seen there")
            elif change.shift:
                parts.append(f"register {1 - change.shift} of {_called(origin)} is seen there")
            else:
                parts.append(f"{_called(origin)} is seen there")
                if side is Side.SOURCE and origin.point == place.point and origin.controller == place.controller:
                    parts[-1] += (
                        " (the plan takes both from one place: unless they are one thing, one of them is wrong)"
                    )
            subject = origin
    truth = truth_of(subject.point, [each for each in changes if each.kind is not FaultKind.OTHER])
    kinds = {each.kind for each in changes}
    if truth.shift:
        point = truth.point
        where = "one further" if truth.shift > 0 else "one before"
        parts.append(f"it begins at {point.table} {point.address + truth.shift}, {where}")
    if kinds & {FaultKind.WORD_ORDER, FaultKind.BYTE_ORDER}:
        which = " and ".join(each for each in (FaultKind.WORD_ORDER, FaultKind.BYTE_ORDER) if each in kinds)
        parts.append(f"its {which} is another: {truth.point.order}, not {subject.point.order}")
    if FaultKind.BIT in kinds:
        parts.append(f"it is bit {truth.point.bit}, not bit {subject.point.bit}")
    if truth.point.type != subject.point.type:
        parts.append(f"it is {_article(str(truth.point.type))}, not {_article(str(subject.point.type))}")
    if truth.is_inverted:
        parts.append("it is inverted: on where it should be off")
    if truth.factor != 1:
        parts.append(_scale(side, truth.factor))
    return ", and ".join(parts)


def _article(word: str) -> str:
    return f"{'an' if word[0] in 'aeiou' and not word.startswith('uint') else 'a'} {word}"


def _scale(side: Side, factor: Fraction) -> str:
    which = "the plan makes of it" if side is Side.SOURCE else "it is shown"
    if factor == -1:
        return f"{which} the value with the other sign" if side is Side.SOURCE else f"{which} with the other sign"
    size = abs(factor)
    times = f"{size} times too much" if size > 1 else f"{1 / size} times too little"
    return f"{which} {times}{' with the other sign' if factor < 0 else ''}"
