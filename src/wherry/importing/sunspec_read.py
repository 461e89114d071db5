"""Reading a SunSpec device: a procedure that asks for registers and is given answers. It does no input or output.

It is a generator: it gives a ``Read``, is sent the registers as bytes or the exception code of a refusal (0 for no
answer), and returns a ``Device``. No request spans two models; a value that lies across two requests is read again in
one, and a model of several requests is read again until its scale factors are the same before and after.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Final

from wherry.importing.sunspec_facts import (
    BASES,
    COMMON_MODEL,
    END_MODEL,
    HEADER_REGISTERS,
    IDENTITY_POINTS,
    MARKER,
    MODELS_MAX,
    SHIFTED_BASES,
    Nature,
)
from wherry.importing.sunspec_models import Definitions, Field, lay_out
from wherry.importing.sunspec_values import Reading, read_fields
from wherry.limits import ITEMS_PER_TABLE, READ_REGISTERS_MAX

TRIES_MAX: Final = 3


@dataclass(frozen=True, slots=True)
class Read:
    """Holding registers to read, by PDU address."""

    address: int
    count: int


@dataclass(frozen=True, slots=True)
class Model:
    """One model of the device. ``header`` is the address of its number, ``length`` in registers without the header."""

    number: int
    header: int
    length: int
    is_defined: bool
    readings: tuple[Reading, ...] = ()


@dataclass(slots=True)
class Device:
    """What was found. ``base`` is None when the device has no SunSpec map."""

    base: int | None = None
    models: list[Model] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """What is not as it should be, as sentences."""
    requests: int = 0

    @property
    def readings(self) -> list[Reading]:
        """Those of all models."""
        return [each for model in self.models for each in model.readings]

    @property
    def identity(self) -> list[Reading]:
        """What tells this device from another, as far as it says it."""
        return [
            each
            for model in self.models
            if model.number == COMMON_MODEL
            for each in model.readings
            if each.field.name in IDENTITY_POINTS and each.is_implemented
        ]


Procedure = Generator[Read, bytes | int, Device]
_Steps = Generator[Read, bytes | int, bytes | None]


class _Reader:
    def __init__(self, definitions: Definitions, count_max: int) -> None:
        self.definitions = definitions
        self.device = Device()
        self.count_max = count_max

    def ask(self, address: int, count: int) -> _Steps:
        """Registers in one request; None if that is refused."""
        self.device.requests += 1
        answer = yield Read(address, count)
        if isinstance(answer, int):
            return None
        return answer if len(answer) == 2 * count else None

    def run(self, address: int, count: int) -> _Steps:
        """Registers in as few requests as the device allows; None if a part cannot be read."""
        data = b""
        size_max = self.count_max
        while len(data) < 2 * count:
            size = min(size_max, count - len(data) // 2)
            part = yield from self.ask(address + len(data) // 2, size)
            if part is not None:
                data += part
                # A limit smaller than the standard's is kept for all that follows, once it has been seen to work.
                self.count_max = min(self.count_max, size_max)
            elif size > 1:
                size_max = size // 2
            else:
                return None
        return data


def discover(definitions: Definitions, *, base: int | None = None, count_max: int = READ_REGISTERS_MAX) -> Procedure:
    """Find the map, walk its models, read them. ``base``: where the marker is, if that is known.

    ``count_max``: registers in one request at most.
    """
    reader = _Reader(definitions, count_max)
    device = reader.device
    for address in (base,) if base is not None else (*BASES, *SHIFTED_BASES):
        marker = yield from reader.ask(address, len(MARKER) // 2)
        if marker == MARKER:
            device.base = address
            break
    else:
        return device
    if base is None and device.base in SHIFTED_BASES:
        right = min(BASES, key=lambda each: abs(each - address))
        device.remarks.append(
            f"the map begins at address {address}, and a SunSpec map begins at {right}: this device counts its "
            "registers from another number, so look twice at any address in its papers"
        )
    yield from _walk(reader, device.base + len(MARKER) // 2)
    return device


def _walk(reader: _Reader, at: int) -> Generator[Read, bytes | int, None]:
    device = reader.device
    while len(device.models) < MODELS_MAX and at + HEADER_REGISTERS <= ITEMS_PER_TABLE:
        header = yield from reader.ask(at, HEADER_REGISTERS)
        if header is None:
            device.remarks.append(f"the chain of models breaks off: the header at address {at} cannot be read")
            return
        number, length = int.from_bytes(header[:2], "big"), int.from_bytes(header[2:], "big")
        if number == END_MODEL:
            return
        if number == 0 or at + HEADER_REGISTERS + length > ITEMS_PER_TABLE:
            device.remarks.append(
                f"the chain of models breaks off: at address {at} stands model {number} of length {length}"
            )
            return
        device.models.append((yield from _model(reader, at, number, length, header)))
        at += HEADER_REGISTERS + length
    device.remarks.append("the chain of models has no end model (65535)")


def _model(reader: _Reader, at: int, number: int, length: int, header: bytes) -> Generator[Read, bytes | int, Model]:
    """One model, read and decoded."""
    definition = reader.definitions.model(number)
    if definition is None:
        reader.device.remarks.append(
            f"model {number} at address {at} has no definition in the folder: its {length} registers are left out"
        )
        return Model(number, at, length, is_defined=False)
    if not length:
        return Model(number, at, length, is_defined=True)
    remarks: tuple[str, ...] = ()
    for _ in range(TRIES_MAX):
        before = reader.device.requests
        body = yield from reader.run(at + HEADER_REGISTERS, length)
        if body is None:
            reader.device.remarks.append(f"model {number} at address {at} cannot be read: it is left out")
            return Model(number, at, length, is_defined=True)
        layout = lay_out(definition, number, at, header + body)
        remarks = layout.remarks
        registers = {at + index: word for index, word in enumerate(_words(header + body))}
        if reader.device.requests - before > 1:
            yield from _whole(reader, layout.fields, registers, at + HEADER_REGISTERS)
        readings = read_fields(layout.fields, registers)
        if reader.device.requests - before == 1 or (yield from _is_steady(reader, readings)):
            break
    else:
        reader.device.remarks.append(
            f"model {number} at address {at}: its scale factors change while it is read; its values are left out"
        )
        readings = []
    reader.device.remarks += remarks
    reader.device.remarks += [
        f"model {number} at address {each.field.address}: {each.doubt}" for each in readings if each.doubt
    ]
    missed = [each.field.name for each in readings if each.is_missed]
    if missed:
        reader.device.remarks.append(
            f"model {number} does not implement what its definition calls mandatory: {', '.join(missed)}"
        )
    return Model(number, at, length, True, tuple(readings))


def _words(data: bytes) -> list[int]:
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


def _whole(
    reader: _Reader, fields: tuple[Field, ...], registers: dict[int, int], start: int
) -> Generator[Read, bytes | int, None]:
    """Read again, each in one request, the numbers that lie across two; what cannot be read so is taken away."""
    for each in fields:
        stop = each.address + each.registers
        crosses = (each.address - start) // reader.count_max != (stop - 1 - start) // reader.count_max
        if each.address < start or each.registers == 1 or not crosses or each.type_name == "string":
            continue
        data = yield from reader.ask(each.address, each.registers)
        for index in range(each.registers):
            if data is None:
                registers.pop(each.address + index, None)
            else:
                registers[each.address + index] = int.from_bytes(data[2 * index : 2 * index + 2], "big")


def _is_steady(reader: _Reader, readings: list[Reading]) -> Generator[Read, bytes | int, bool]:
    """Whether the scale factors still are what they were before the values were read."""
    for each in readings:
        if each.nature is Nature.EXPONENT:
            again = yield from reader.ask(each.field.address, 1)
            if again != each.data:
                return False
    return True
