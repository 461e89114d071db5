"""The receiver's half of a transfer as IEC 61131-3 structured text: a function block for the receiver's program.

It is called once in each scan with the registers as they stand, and says whether the values may be acted on. It counts
by a timer of its own, so that a carrier that has died, or a network that was cut, is noticed too:

* ``FallBack`` is true from the first scan on, until the heartbeat has moved once and the quality is Good;
* it is true again as soon as the age that the status tells, and the time since the heartbeat moved, are together more
  than ``max_age`` plus one period; at once with a quality of Bad; and after ``UncertainMax`` with one of Uncertain.

Only what every programming system has is used: one timer on delay, bit strings, conversions of bit strings to numbers,
IF. Names of types and functions: IEC 61131-3 (third edition), from memory. Some compilers take the number where the
standard takes the bits when a bit string becomes a REAL: the block tries itself what it relies on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from wherry.clock import NS_PER_MS
from wherry.paper.iec_names import Names
from wherry.plan.model import OnLoss, Plan, Table, Transfer, Value, reference_number
from wherry.values.scaling import Line
from wherry.values.types import Kind, Order
from wherry.values.units import line_to_put

CAUTION: Final = (
    "Made from the plan. The programmer who is responsible for this controller reads it, adapts it and tries it out",
    "before it is used. It is not a safety function and must not carry one (emergency stop, interlock or trip: see",
    "IEC 61508, IEC 61511, ISO 13849). Local codes and licensed practice come before anything printed here.",
)
STATUS: Final = ("Heartbeat", "Quality", "Age", "Sequence")
REASONS: Final = (
    "usable",
    "nothing has come yet since the start",
    "what has come is too old, or nothing comes any more",
    "the quality is Bad",
    "the quality is Uncertain",
    "the source's own counter stands still",
    "this compiler converts in another way than the standard: see Fits",
)
"""What ``Reason`` says, by number."""
_OWN_NAMES: Final = (
    *STATUS,
    *("UncertainMax", "Usable", "FallBack", "Reason", "Fits", "HasMoved", "HasStarted", "LastHeartbeat", "Standstill"),
    *("Uncertain", "SourceStandstill", "LastSourceCounter", "SourceCounter", "Expired", "IsTooLongUncertain"),
)
RESERVE: Final = "UncertainMax"


@dataclass(frozen=True, slots=True)
class Input:
    """One input of the block: its name, its type, and the place whose content it is given."""

    name: str
    type: str
    table: Table
    address: int
    meaning: str

    @property
    def place(self) -> str:
        """The place in both notations."""
        return f"{self.table} {self.address}, {reference_number(self.table, self.address)}"


@dataclass(frozen=True, slots=True)
class Output:
    """One value that the block unpacks: its name and type, how it is computed, and what it is on a loss."""

    name: str
    type: str
    expression: str
    on_loss: str
    """A literal; empty: it keeps its last value."""
    meaning: str
    helpers: tuple[str, ...] = ()
    """Assignments before it."""


@dataclass(frozen=True, slots=True)
class Block:
    """A function block for one transfer."""

    name: str
    transfer: Transfer
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    left_out: tuple[str, ...]
    """Values that are not unpacked, and why."""
    tests: tuple[str, ...]
    """Conditions that hold where the compiler converts as the standard says."""
    has_source_counter: bool
    text: str


def blocks_of(plan: Plan, controller: str) -> tuple[Block, ...]:
    """The blocks for one receiver's program: one for each transfer with status registers that ends there."""
    names = Names()
    return tuple(
        _block(plan, each, names.take(f"Carried {each.name}", otherwise="Carried"))
        for each in plan.transfers
        if each.destination == controller and each.status is not None
    )


def age_allowed_ms(transfer: Transfer) -> int:
    """The age in ms beyond which the block falls back: ``max_age`` plus one period, in whole ms, rounded up."""
    return -(-(transfer.max_age_ns + transfer.period_ns) // NS_PER_MS)


def _block(plan: Plan, transfer: Transfer, name: str) -> Block:
    assert transfer.status is not None
    start = transfer.status.start
    meanings = ("moves while somebody carries", "2 Good, 1 Uncertain, 0 Bad", "age of the values in ms", "counts sets")
    inputs = [
        Input(each, "WORD", Table.HOLDING, start + offset, meanings[offset]) for offset, each in enumerate(STATUS)
    ]
    unpacking = _Unpacking(transfer)
    inputs += unpacking.inputs.values()
    parts = _Parts(plan, transfer, name, tuple(inputs), unpacking)
    return Block(
        name,
        transfer,
        tuple(inputs),
        tuple(unpacking.outputs),
        tuple(unpacking.left_out),
        tuple(unpacking.tests),
        unpacking.source_counter is not None,
        "\n".join(parts.lines()) + "\n",
    )


class _Unpacking:
    """Works out the inputs and outputs that the values of a transfer need."""

    def __init__(self, transfer: Transfer) -> None:
        self.inputs: dict[tuple[Table, int], Input] = {}
        self.outputs: list[Output] = []
        self.left_out: list[str] = []
        self.tests: dict[str, None] = {}
        self.words: dict[str, str] = {}
        """Longer bit strings that are put together first: name and type."""
        self.source_counter: str | None = None
        self._names = Names(_OWN_NAMES)
        for value in transfer.values:
            if value.is_alive:
                self.source_counter = self._counter(value)
            elif value.put.type.is_number:
                self._number(transfer, value)
            elif value.put.type.kind is Kind.BOOL:
                self._bool(transfer, value)
            else:
                what = "plain registers" if value.put.type.kind is Kind.RAW else "text"
                self.left_out.append(f"{value.name}: {what} at {value.put.span}, taken from there as they are")

    def _input(self, table: Table, address: int, meaning: str) -> str:
        found = self.inputs.get((table, address))
        if found is None:
            letter = {Table.HOLDING: "R", Table.COIL: "C", Table.INPUT: "I", Table.DISCRETE: "D"}[table]
            name = self._names.take(f"{letter}{address}", otherwise="R")
            found = Input(name, "BOOL" if table.is_bits else "WORD", table, address, meaning)
            self.inputs[(table, address)] = found
        return found.name

    def _counter(self, value: Value) -> str:
        """The lowest word of the source's counter: the one that moves with each count."""
        put = value.put
        is_lowest_first = put.order in (Order.CDAB, Order.DCBA)
        return self._input(
            put.table, put.address + (0 if is_lowest_first else put.count - 1), "the source's own counter"
        )

    def _bool(self, transfer: Transfer, value: Value) -> None:
        put = value.put
        source = self._input(put.table, put.address, value.name)
        name = self._names.take(value.name, otherwise="Value")
        expression = source if put.bit is None else f"({source} AND 16#{1 << put.bit:04X}) <> 16#0000"
        self.outputs.append(Output(name, "BOOL", expression, _on_loss(transfer, value, "BOOL"), value.name))

    def _number(self, transfer: Transfer, value: Value) -> None:
        put = value.put
        registers = [
            self._input(put.table, put.address + offset, value.name if offset == 0 else f"{value.name}, continued")
            for offset in range(put.count)
        ]
        name = self._names.take(value.name, otherwise="Value")
        helpers, bits = self._bits(registers, put.order, name)
        number, native = self._native(bits, put.type.kind, put.type.bits)
        line = line_to_put(value.unit, value.put_unit, value.scale)
        is_exact = line.is_identity
        kind = native if is_exact else ("LREAL" if put.type.bits > 16 and native != "REAL" else "REAL")
        expression = number if is_exact else _in_unit(number, native, kind, line)
        unit = f", in {value.unit}" if value.unit else ""
        self.outputs.append(
            Output(name, kind, expression, _on_loss(transfer, value, kind), f"{value.name}{unit}", helpers)
        )

    def _bits(self, registers: list[str], order: Order, name: str) -> tuple[tuple[str, ...], str]:
        """The assignments that put the registers together, and the name of the bit string."""
        words = registers[::-1] if order in (Order.CDAB, Order.DCBA) else list(registers)
        if order in (Order.BADC, Order.DCBA):
            words = [f"ROL({each}, 8)" for each in words]
        if len(words) == 1:
            return (), words[0]
        kind = "DWORD" if len(words) == 2 else "LWORD"
        whole = self._names.take(f"{name} bits", otherwise="Bits")
        self.words[whole] = kind
        parts = [
            f"WORD_TO_{kind}({word})" if shift == 0 else f"SHL(WORD_TO_{kind}({word}), {shift})"
            for word, shift in zip(words, range(16 * (len(words) - 1), -1, -16), strict=True)
        ]
        return (f"{whole} := {' OR '.join(parts)};",), whole

    def _native(self, bits: str, kind: Kind, width: int) -> tuple[str, str]:
        """The number that a bit string stands for, and its type."""
        string = {16: "WORD", 32: "DWORD", 64: "LWORD"}[width]
        if kind is Kind.BCD:
            return _decimal(bits, width), "UINT" if width == 16 else "UDINT"
        native = {
            (Kind.INT, 16): "INT",
            (Kind.INT, 32): "DINT",
            (Kind.INT, 64): "LINT",
            (Kind.UINT, 16): "UINT",
            (Kind.UINT, 32): "UDINT",
            (Kind.UINT, 64): "ULINT",
            (Kind.FLOAT, 32): "REAL",
            (Kind.FLOAT, 64): "LREAL",
        }[(kind, width)]
        self.tests.update(dict.fromkeys(_tests_of(string, native)))
        return f"{string}_TO_{native}({bits})", native


def _tests_of(string: str, native: str) -> Iterator[str]:
    """What must hold if the bits become the number: -2 of the signed and 1.5 of the real types (IEEE 754-2019)."""
    if native in ("INT", "DINT", "LINT"):
        digits = {"INT": 3, "DINT": 7, "LINT": 15}[native]
        yield f"{string}_TO_{native}(16#{'F' * digits}E) = -2"
    elif native == "REAL":
        yield "DWORD_TO_REAL(16#3FC00000) = 1.5"
    elif native == "LREAL":
        yield "LWORD_TO_LREAL(16#3FF8000000000000) = 1.5"


def _decimal(bits: str, width: int) -> str:
    """A number kept as decimal digits of four bits each, without a conversion that not every compiler has."""
    string, number = ("WORD", "UINT") if width == 16 else ("DWORD", "UDINT")
    digits = width // 4
    parts = []
    for place in range(digits):
        shifted = bits if place == 0 else f"SHR({bits}, {4 * place})"
        digit = f"{string}_TO_{number}({shifted} AND 16#{0xF:0{digits}X})"
        parts.append(digit if place == 0 else f"{digit} * {10**place}")
    return " + ".join(parts)


def _in_unit(number: str, native: str, kind: str, line: Line) -> str:
    """The value in engineering units: the register's number, with the line that made it turned round."""
    as_real = number if native == kind else f"{native}_TO_{kind}({number})"
    back = line.inverse
    expression = as_real if back.factor == 1 else f"{as_real} * {_real(back.factor)}"
    if back.offset:
        expression += f" {'+' if back.offset > 0 else '-'} {_real(abs(back.offset))}"
    return expression


def _real(number: Fraction | float) -> str:
    """A real literal: always with a decimal point (IEC 61131-3, 6.3.2; from memory)."""
    text = repr(float(number))
    mantissa, _, exponent = text.partition("e")
    if "." not in mantissa:
        mantissa += ".0"
    return f"{mantissa}E{int(exponent)}" if exponent else mantissa


def _on_loss(transfer: Transfer, value: Value, kind: str) -> str:
    """The literal that a value becomes on a loss; empty: it keeps its last one."""
    if transfer.on_loss is not OnLoss.SUBSTITUTE or value.substitute is None:
        return ""
    if kind == "BOOL":
        return "TRUE" if value.substitute else "FALSE"
    assert isinstance(value.substitute, int | float)
    return _real(value.substitute) if kind in ("REAL", "LREAL") else str(round(value.substitute))


class _Parts:
    """The text, part after part."""

    def __init__(
        self, plan: Plan, transfer: Transfer, name: str, inputs: tuple[Input, ...], unpacking: _Unpacking
    ) -> None:
        self._plan = plan
        self._transfer = transfer
        self._name = name
        self._inputs = inputs
        self._unpacking = unpacking

    def lines(self) -> Iterator[str]:
        yield from self._head()
        yield f"FUNCTION_BLOCK {self._name}"
        yield from self._declarations()
        yield ""
        yield from self._judgement()
        yield ""
        yield from self._values()
        yield "END_FUNCTION_BLOCK"

    def _head(self) -> Iterator[str]:
        transfer = self._transfer
        yield f"(* What {transfer.destination} does with what is carried by `{transfer.name}` from {transfer.source}:"
        yield f"   every {_ms(transfer.period_ns)}, at most {_ms(transfer.max_age_ns)} old. Call it once in each scan."
        yield f"   It falls back when what it has is older than {age_allowed_ms(transfer)} ms (and two scans)."
        yield ""
        for line in CAUTION:
            yield f"   {line}"
        for each in self._unpacking.left_out:
            yield f"   Not unpacked: {_comment(each)}"
        yield "*)"

    def _declarations(self) -> Iterator[str]:
        yield "VAR_INPUT"
        for each in self._inputs:
            yield f"    {each.name} : {each.type}; (* {each.place}: {_comment(each.meaning)} *)"
        yield f"    {RESERVE} : TIME := T#0ms; (* how long a quality of Uncertain is borne *)"
        yield "END_VAR"
        yield "VAR_OUTPUT"
        yield "    Usable : BOOL := FALSE; (* the values below may be acted on *)"
        yield "    FallBack : BOOL := TRUE; (* they may not: do what the process owner laid down for a loss *)"
        yield "    Reason : INT := 1;"
        for number, text in enumerate(REASONS):
            yield f"    (* {number} {text} *)"
        for output in self._unpacking.outputs:
            start = f" := {output.on_loss}" if output.on_loss else ""
            kept = "" if output.on_loss else "; keeps its last value on a loss"
            yield f"    {output.name} : {output.type}{start}; (* {_comment(output.meaning)}{kept} *)"
        yield "END_VAR"
        yield "VAR"
        yield "    HasStarted : BOOL := FALSE;"
        yield "    HasMoved : BOOL := FALSE;"
        yield "    Fits : BOOL := FALSE;"
        yield "    Expired : BOOL := TRUE;"
        yield "    IsTooLongUncertain : BOOL := FALSE;"
        yield "    LastHeartbeat : WORD := 16#0000;"
        yield "    Standstill : TON;"
        yield "    Uncertain : TON;"
        if self._unpacking.source_counter is not None:
            yield "    LastSourceCounter : WORD := 16#0000;"
            yield "    SourceStandstill : TON;"
        for name, kind in self._unpacking.words.items():
            yield f"    {name} : {kind};"
        yield "END_VAR"

    def _judgement(self) -> Iterator[str]:
        allowed = age_allowed_ms(self._transfer)
        counter = self._unpacking.source_counter
        yield "(* The heartbeat: only its moving counts. What stood here before the start proves nothing. *)"
        yield "IF HasStarted AND (Heartbeat <> LastHeartbeat) THEN"
        yield "    HasMoved := TRUE;"
        yield "END_IF;"
        yield "Standstill(IN := HasStarted AND (Heartbeat = LastHeartbeat), PT := T#24h);"
        yield "LastHeartbeat := Heartbeat;"
        yield "(* The age told, and the time since it was told: what they make together must not be exceeded. *)"
        yield f"IF WORD_TO_UINT(Age) >= {min(allowed, 65535)} THEN"
        yield "    Expired := TRUE;"
        yield "ELSE"
        yield f"    Expired := Standstill.ET > (T#{allowed}ms - (T#1ms * WORD_TO_UINT(Age)));"
        yield "END_IF;"
        yield f"Uncertain(IN := Quality = 16#0001, PT := {RESERVE});"
        yield f"IsTooLongUncertain := (Quality = 16#0001) AND (Uncertain.ET >= {RESERVE});"
        if counter is not None:
            longest = age_allowed_ms(self._transfer) + -(-self._transfer.period_ns // NS_PER_MS)
            yield "(* The source's own counter tells of the source without anybody's judgement in between. *)"
            yield f"SourceStandstill(IN := HasStarted AND ({counter} = LastSourceCounter), PT := T#{longest}ms);"
            yield f"LastSourceCounter := {counter};"
        yield "HasStarted := TRUE;"
        tests = list(self._unpacking.tests)
        yield f"Fits := {' AND '.join(f'({each})' for each in tests) if tests else 'TRUE'};"
        yield "IF NOT Fits THEN"
        yield "    Reason := 6;"
        yield "ELSIF NOT HasMoved THEN"
        yield "    Reason := 1;"
        yield "ELSIF Expired THEN"
        yield "    Reason := 2;"
        if counter is not None:
            yield "ELSIF SourceStandstill.Q THEN"
            yield "    Reason := 5;"
        yield "ELSIF (Quality <> 16#0002) AND (Quality <> 16#0001) THEN"
        yield "    Reason := 3;"
        yield "ELSIF IsTooLongUncertain THEN"
        yield "    Reason := 4;"
        yield "ELSE"
        yield "    Reason := 0;"
        yield "END_IF;"
        yield "Usable := Reason = 0;"
        yield "FallBack := NOT Usable;"

    def _values(self) -> Iterator[str]:
        outputs = self._unpacking.outputs
        if not outputs:
            return
        replaced = [each for each in outputs if each.on_loss]
        yield "IF Usable THEN"
        for output in outputs:
            for helper in output.helpers:
                yield f"    {helper}"
            yield f"    {output.name} := {output.expression};"
        if replaced:
            yield "ELSE"
            for output in replaced:
                yield f"    {output.name} := {output.on_loss};"
        yield "END_IF;"


def _comment(text: str) -> str:
    """Text that does not end the comment it stands in, in characters that every editor of programs takes."""
    plain = text.encode("ascii", "replace").decode()
    return plain.replace("(*", "( *").replace("*)", "* )").replace("\n", " ")


def _ms(time_ns: int) -> str:
    return f"{time_ns / NS_PER_MS:g} ms"
