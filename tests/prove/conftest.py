"""A plant for fingerprint passes: what two controllers really hold, written down apart from the plan and its code.

Registers are packed and unpacked here with nothing but ``struct`` and ``int``: no code of the package has part in it.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import pytest

from wherry.plan import loads
from wherry.plan.model import Plan, Table
from wherry.prove.fingerprint import Changes, Fingerprint, Side
from wherry.prove.mapping_faults import FaultKind, Shown, truth_of
from wherry.prove.naming import Wrong, judge_receiver, judge_source
from wherry.prove.places import content_of, is_carried, receiver_places, source_places
from wherry.values import codec

Image = dict[tuple[str, int], int]
"""What registers and bits hold, by table and address."""

TYPES = ("int16", "uint16", "int32", "uint32", "float32", "int64", "float64", "bcd16")


@dataclass(frozen=True)
class Spot:
    """Where and how one value lies. ``step``: the value of one count (floats: of 1.0)."""

    address: int
    type: str
    order: str = "ABCD"
    step: float = 1.0
    bit: int = -1
    table: str = "holding"

    @property
    def registers(self) -> int:
        return 1 if self.type == "bool" else max(1, int(self.type.lstrip("uintfloabcd")) // 16)

    @property
    def text(self) -> str:
        """As a plan says it."""
        if self.type == "bool":
            return f"{self.table} {self.address}" + (f".{self.bit}" if self.bit >= 0 else "")
        return f"{self.table} {self.address} {self.type} {'' if self.order == 'ABCD' else self.order}"

    def words(self, value: float) -> list[int] | None:
        """The registers for a value; None if they cannot hold it."""
        number = value if self.step == 1.0 else value / self.step
        size = 2 * self.registers
        try:
            if self.type.startswith("float"):
                data = struct.pack(">f" if size == 4 else ">d", number)
            elif self.type.startswith("bcd"):
                if not 0 <= round(number) < 10 ** (2 * size):
                    return None
                data = bytes.fromhex(f"{round(number):0{2 * size}d}")
            else:
                data = round(number).to_bytes(size, "big", signed=self.type.startswith("int"))
        except OverflowError:
            return None
        words = [data[at : at + 2] for at in range(0, size, 2)]
        if self.order in ("CDAB", "DCBA"):
            words.reverse()
        if self.order in ("BADC", "DCBA"):
            words = [each[::-1] for each in words]
        return [int.from_bytes(each, "big") for each in words]

    def value(self, words: list[int]) -> float | int | None:
        """The value that registers show; None if there is nothing that could be read off."""
        parts = [each.to_bytes(2, "big") for each in words]
        if self.order in ("BADC", "DCBA"):
            parts = [each[::-1] for each in parts]
        if self.order in ("CDAB", "DCBA"):
            parts.reverse()
        data = b"".join(parts)
        number: float | int
        if self.type.startswith("float"):
            number = struct.unpack(">f" if len(data) == 4 else ">d", data)[0]
            if number != number or abs(number) == float("inf"):
                return None
        elif self.type.startswith("bcd"):
            if not data.hex().isdecimal():
                return None
            number = int(data.hex())
        else:
            number = int.from_bytes(data, "big", signed=self.type.startswith("int"))
        return number if self.step == 1.0 else number * self.step


@dataclass(frozen=True)
class Row:
    """One value on its way."""

    name: str
    take: Spot
    put: Spot


@dataclass
class Plant:
    """The truth of both controllers, as rows; a plan is the same rows, perhaps with some of them wrong."""

    rows: list[Row]
    source: Image = field(default_factory=dict)
    receiver: Image = field(default_factory=dict)
    sources: list[Image] = field(default_factory=list)
    """What the source's registers held in each step of the last pass."""

    def pass_with(self, mark: Fingerprint) -> tuple[dict[int, list[bytes | None]], dict[int, list[Shown]], list[Image]]:
        """All steps: what was read of each source place, what the receiver's program showed of each value, and what the
        receiver's registers held in each step."""
        truth = {row.name: row for row in self.rows}
        read: dict[int, list[bytes | None]] = {each.index: [] for each in mark.sources if not each.is_beside}
        shown: dict[int, list[Shown]] = {each.index: [] for each in mark.receivers}
        images: list[Image] = []
        self.sources = []
        for step in range(mark.steps):
            refused = self._give(mark, step, truth)
            self.receiver = {}
            for place in mark.sources:
                if not place.is_beside:
                    data = self._read(place.point.table.value, place.point.address, place.point.count)
                    read[place.index].append(None if place.index in refused else data)
                    for (_, name), conversion in zip(place.names, place.conversions, strict=True):
                        self._write(mark, name, conversion.convert(data).put)
            for place in mark.receivers:
                shown[place.index].append(self._shown(truth[place.name].put))
            images.append(self.receiver)
            self.sources.append(self.source)
        return read, shown, images

    def _give(self, mark: Fingerprint, step: int, truth: dict[str, Row]) -> set[int]:
        """Give every value by its name, in the source's own program. Returns the places that cannot hold theirs."""
        self.source = {}
        refused = set()
        taken = {
            ("holding", spot.address + item)
            for spot in (row.take for row in self.rows)
            for item in range(spot.registers)
        }
        for place in mark.sources:
            content = mark.contents[place.index][step]
            if place.is_beside:
                if ("holding", place.point.address) not in taken:
                    self.source["holding", place.point.address] = int.from_bytes(content.data, "big")
                continue
            spot = truth[place.name].take
            if spot.type == "bool":
                key = spot.table, spot.address
                self.source[key] = self.source.get(key, 0) | bool(content.shown) << max(spot.bit, 0)
                continue
            assert isinstance(content.shown, int | float)
            words = spot.words(content.shown)
            if words is None:
                refused.add(place.index)
                words = [0] * spot.registers
            self.source.update({("holding", spot.address + item): word for item, word in enumerate(words)})
        return refused

    def _read(self, table: str, address: int, count: int) -> bytes:
        items = [self.source.get((table, address + item), 0) for item in range(count)]
        if table in ("coil", "discrete"):
            return sum(bit << index for index, bit in enumerate(items)).to_bytes((count + 7) // 8, "little")
        return b"".join(each.to_bytes(2, "big") for each in items)

    def _write(self, mark: Fingerprint, name: str, data: bytes | None) -> None:
        place = next((each for each in mark.receivers if each.name == name), None)
        if data is None or place is None:
            return
        point = place.point
        table = point.table.value
        if point.bit is not None:
            key = table, point.address
            self.receiver[key] = self.receiver.get(key, 0) | (data[-1] & 1) << point.bit
        elif point.table.is_bits:
            self.receiver[table, point.address] = data[0] & 1
        else:
            for item in range(point.count):
                self.receiver[table, point.address + item] = int.from_bytes(data[2 * item : 2 * item + 2], "big")

    def _shown(self, spot: Spot) -> Shown:
        if spot.type == "bool":
            return bool(self.receiver.get((spot.table, spot.address), 0) >> max(spot.bit, 0) & 1)
        return spot.value([self.receiver.get(("holding", spot.address + item), 0) for item in range(spot.registers)])


def plan_of(rows: list[Row]) -> Plan:
    """The rows as a plan."""
    values = []
    for row in rows:
        take_scale = "" if row.take.step == 1.0 else f", take_scale = [0, 1000, 0, {1000 * row.take.step!r}]"
        scale = "" if row.put.step == 1.0 else f", scale = [0, {1000 * row.put.step!r}, 0, 1000]"
        values.append(f'{{ name = "{row.name}", take = "{row.take.text}", put = "{row.put.text}"{take_scale}{scale} }}')
    text = (
        'title = "Hatchery"\n[controller.skid]\nconnect = "tcp://127.0.0.1:1"\n[controller.hall]\n'
        'connect = "tcp://127.0.0.1:2"\n[transfer.water]\nfrom = "skid"\nto = "hall"\nevery = "1 s"\non_loss = "hold"\n'
        "values = [\n" + ",\n".join(values) + "\n]\n"
    )
    return loads(text).plan


def some_rows(
    rng: random.Random,
    count: int,
    *,
    types: tuple[str, ...] = TYPES,
    gaps: tuple[int, ...] = (0, 0, 1),
    is_narrowed: bool = True,
) -> list[Row]:
    """Rows of all kinds: about one bit in five, some of them together in one register, and scaled numbers.

    ``is_narrowed``: the receiver may keep a number in a type that does not hold all that the source has.
    """
    rows: list[Row] = []
    take = put = 0
    while len(rows) < count:
        take, put = take + rng.choice(gaps), put + rng.choice(gaps)
        if rng.random() < 0.1:
            bits = rng.sample(range(16), rng.randint(1, 3))
            for bit in bits[: count - len(rows)]:
                spot = Spot(put, "bool", bit=bit) if rng.random() < 0.5 else Spot(len(rows), "bool", table="coil")
                rows.append(Row(f"state {len(rows)}", Spot(take, "bool", bit=bit), spot))
            take, put = take + 1, put + 1
            continue
        kind = rng.choice(types)
        orders = ("ABCD", "CDAB", "BADC", "DCBA") if "16" not in kind else ("ABCD",)
        step = rng.choice((1.0, 1.0, 0.1, 0.5)) if kind[-2:] in ("16", "32") and "float" not in kind else 1.0
        there = Spot(take, kind, rng.choice(orders), step)
        if rng.random() < 0.4:  # the receiver keeps it as another kind of number
            kind = rng.choice(types) if is_narrowed else "float64"
            orders = ("ABCD", "CDAB", "BADC", "DCBA") if "16" not in kind else ("ABCD",)
        here = Spot(put, kind, rng.choice(orders), step if "float" not in kind else 1.0)
        rows.append(Row(f"value {len(rows)}", there, here))
        take, put = take + there.registers, put + here.registers
    return rows


def image_of(images: list[Image]) -> Callable[[int, str, Table, int], int]:
    """What was read back from the receiver."""
    return lambda step, _controller, table, address: images[step].get((table.value, address), 0)


# Faults put into a plan on purpose, and whether what is said of them is true.


KINDS = (
    "swap",
    "shift",
    "word order",
    "byte order",
    "sign",
    "negated",
    "scale",
    "factor two",
    "neighbour",
    "bit",
    "width",
)
"""What is seeded: each at either side."""

_OTHER_ORDER = {
    "word order": {"ABCD": "CDAB", "CDAB": "ABCD", "BADC": "DCBA", "DCBA": "BADC"},
    "byte order": {"ABCD": "BADC", "BADC": "ABCD", "CDAB": "DCBA", "DCBA": "CDAB"},
}
_OTHER_WIDTH = {"int32": "int16", "uint32": "uint16", "float32": "float64", "float64": "float32", "int64": "int32"}


@dataclass(frozen=True)
class Seeded:
    """One fault: which values it is about, on which side."""

    kind: str
    side: Side
    names: tuple[str, ...]


def wrong_spot(kind: str, spot: Spot, others: Sequence[Spot], rng: random.Random) -> Spot | None:
    """The place as a faulty plan has it; None where the kind cannot be, or makes no difference to anybody."""
    if kind == "neighbour":
        same = [each for each in others if each.type == spot.type and each != spot]
        near = sorted(same, key=lambda each: abs(each.address - spot.address))[:2]
        return replace(spot, address=near[0].address, bit=near[0].bit, table=near[0].table) if near else None
    if kind == "bit":
        taken = {each.bit for each in others if each.address == spot.address and each.table == spot.table}
        free = [bit for bit in range(16) if bit not in taken]
        return replace(spot, bit=rng.choice(free)) if spot.bit >= 0 else None
    if spot.type == "bool":
        return None
    if kind == "shift":
        return replace(spot, address=max(0, spot.address + rng.choice((-1, 1)))) if spot.address else None
    if kind == "word order" and spot.registers == 1:
        return None
    if kind in _OTHER_ORDER:
        return replace(spot, order=_OTHER_ORDER[kind][spot.order])
    if kind == "sign":
        if not spot.type.lstrip("u").startswith("int"):
            return None
        return replace(spot, type=spot.type[1:] if spot.type.startswith("u") else f"u{spot.type}")
    if kind == "negated":
        return replace(spot, step=-spot.step) if spot.type.startswith(("int", "float")) else None
    if kind in ("scale", "factor two"):
        factor = rng.choice((10.0, 100.0, 0.1, 0.01)) if kind == "scale" else rng.choice((2.0, 0.5))
        return replace(spot, step=spot.step * factor)
    if kind == "width" and spot.type in _OTHER_WIDTH:
        return replace(spot, type=_OTHER_WIDTH[spot.type])
    return None


def seed(
    rows: Sequence[Row],
    count: int,
    rng: random.Random,
    kinds: Sequence[str] = KINDS,
    sides: Sequence[Side] = tuple(Side),
) -> tuple[list[Row], list[Seeded]]:
    """The rows of a faulty plan, with so many faults, each at values of its own; every kind comes up in turn."""
    made = list(rows)
    free = list(range(len(rows)))
    rng.shuffle(free)
    seeded: list[Seeded] = []
    turn = 0
    while len(seeded) < count and free:
        kind, side = kinds[turn % len(kinds)], rng.choice(sides)
        turn += 1
        for index in free:
            names = _seed_one(made, rows, index, kind, side, free, rng)
            if names:
                seeded.append(Seeded(kind, side, tuple(rows[each].name for each in names)))
                free = [each for each in free if each not in names]
                break
        assert turn < 50 * count, "no place for these faults"
    return made, seeded


def makes_a_difference(row: Row, wrong: Spot, side: Side) -> bool:
    """Whether a value that the faulty plan carries comes out otherwise, or cannot be given."""
    faulty = with_spot(row, side, wrong)
    plan = plan_of([faulty])
    (place,) = source_places(plan)
    right = row.take if side is Side.SOURCE else row.put
    for size in (1, 77, 12_345, 40_000, 65_535, 70_001, 3 * 10**9, 2**33 + 1, 2**62):
        for number in (size, -size):
            content = content_of(place, float(number) if faulty.take.type.startswith("float") else number)
            if content is None or not is_carried(place, content):
                continue
            assert isinstance(content.shown, int | float)
            data = content.data if side is Side.SOURCE else place.conversions[0].convert(content.data).put
            assert data is not None
            there = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
            if side is Side.SOURCE:
                held = right.words(content.shown)
                if held is None or (held + [0] * 4)[: len(there)] != there:
                    return True
            else:
                wanted = receiver_places(plan)[0].shown(codec.decode(receiver_places(plan)[0].point, data))
                if right.value((there + [0] * 4)[: right.registers]) != wanted:
                    return True
    return False


def with_spot(row: Row, side: Side, spot: Spot) -> Row:
    """The row with another place on one side."""
    return replace(row, take=spot) if side is Side.SOURCE else replace(row, put=spot)


def _seed_one(
    made: list[Row], rows: Sequence[Row], index: int, kind: str, side: Side, free: Sequence[int], rng: random.Random
) -> tuple[int, ...]:
    key = "take" if side is Side.SOURCE else "put"
    spot: Spot = getattr(rows[index], key)
    if kind == "swap":
        for other in free:
            there: Spot = getattr(rows[other], key)
            if other != index and there.type == spot.type and (spot.type != "bool" or there.table == spot.table):
                made[index] = with_spot(made[index], side, replace(spot, address=there.address, bit=there.bit))
                made[other] = with_spot(made[other], side, replace(there, address=spot.address, bit=spot.bit))
                if there.order != spot.order or there.step != spot.step:
                    made[index], made[other] = rows[index], rows[other]
                    continue
                return index, other
        return ()
    others = [getattr(each, key) for each in rows]
    wrong = wrong_spot(kind, spot, others, rng)
    if wrong is None:
        return ()
    if kind in ("sign", "width") and not makes_a_difference(rows[index], wrong, side):
        return ()
    if side is Side.RECEIVER and kind in ("shift", "neighbour", "width"):
        # Two values must not be put into one register: such a plan is refused before it comes this far.
        used = {
            address
            for each in others
            if each is not spot
            for address in range(each.address, each.address + each.registers)
        }
        if any(address in used for address in range(wrong.address, wrong.address + wrong.registers)):
            return ()
    made[index] = with_spot(made[index], side, wrong)
    return (index,)


def is_true(mark: Fingerprint, truth: dict[str, Row], wrong: Wrong, changes: Changes) -> bool:
    """Whether a candidate tells how it really is."""
    place = wrong.places[0]
    side = mark.sources if wrong.side is Side.SOURCE else mark.receivers
    spot: Spot = truth[place.name].take if wrong.side is Side.SOURCE else truth[place.name].put
    if changes and changes[0].kind is FaultKind.OTHER:
        other = side[changes[0].origin]
        if wrong.side is Side.RECEIVER:  # the receiver's program looks where the plan puts the other
            bit = -1 if other.point.bit is None else other.point.bit
            return spot.address == other.point.address and (spot.type != "bool" or spot.bit == bit)
        if other.is_beside:
            return other.point.address == place.point.address
        there = truth[other.name].take
        # The other may be faulty itself, so that another of its registers is taken for this one.
        return there.address <= place.point.address < there.address + there.registers
    how = truth_of(place.point, changes)
    point = how.point
    if spot.type == "bool":
        return (point.address, point.bit if point.bit is not None else -1) == (spot.address, spot.bit)
    step = 1.0 if place.line.is_identity else float(place.line.factor)
    true_step = step / float(how.factor) if wrong.side is Side.SOURCE else step * float(how.factor)
    order, found = same_order(spot, spot.order), same_order(spot, str(point.order))
    return (point.address + how.shift, str(point.type), found, round(true_step, 9)) == (
        spot.address,
        spot.type,
        order,
        round(spot.step, 9),
    )


def same_order(spot: Spot, order: str) -> str:
    """Of a single register only the order of its bytes counts."""
    return order if spot.registers > 1 else {"CDAB": "ABCD", "DCBA": "BADC"}.get(order, order)


@dataclass(frozen=True)
class Judged:
    """What a pass came to, for each seeded fault, and what was reported of places that are right."""

    missed: list[Seeded]
    untrue: list[tuple[Seeded, str]]
    several: list[tuple[Seeded, str]]
    """Named, with the truth among more than one kind of fault."""
    false: list[str]


def judge(mark: Fingerprint, rows: Sequence[Row], seeded: Sequence[Seeded]) -> Judged:
    """One pass through a plant whose truth are ``rows``."""
    read, shown, images = Plant(list(rows)).pass_with(mark)
    wrong = [*judge_source(mark, read), *judge_receiver(mark, shown, image_of(images))]
    truth = {row.name: row for row in rows}
    about = {(each.side, name): each for each in seeded for name in each.names}
    told: dict[Seeded, list[Wrong]] = {}
    found = Judged([], [], [], [])
    for each in wrong:
        its = {about.get((each.side, place.name)) for place in each.places}
        for one in its:
            if one is None:
                found.false.append(each.sentence)
            else:
                told.setdefault(one, []).append(each)
    for one in seeded:
        reports = told.get(one, [])
        if not reports:
            found.missed.append(one)
        for each in reports:
            if not any(is_true(mark, truth, each, changes) for changes in each.candidates):
                found.untrue.append((one, each.sentence))
            elif len({changes[0].kind for changes in each.candidates}) > 1:
                found.several.append((one, each.sentence))
    return found


def ends(kind: str) -> tuple[float, float]:
    """The least and the greatest value of a type; of numbers with decimals some that a plant may have."""
    bits = int(kind.lstrip("uintfloabcd"))
    if kind.startswith("float"):
        return -1000.0, 1000.0
    if kind.startswith("bcd"):
        return 0, 10 ** (bits // 4) - 1
    return (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if kind.startswith("int") else (0, 2**bits - 1)


@dataclass(frozen=True)
class Tools:
    """What this module has for the tests beside it."""

    plant = Plant
    row = Row
    spot = Spot
    plan_of = staticmethod(plan_of)
    some_rows = staticmethod(some_rows)
    image_of = staticmethod(image_of)
    seed = staticmethod(seed)
    is_true = staticmethod(is_true)
    judge = staticmethod(judge)
    ends = staticmethod(ends)


@pytest.fixture(scope="session")
def tools() -> Tools:
    return Tools()
