"""An interpreter for the part of IEC 61131-3 structured text that a receiver's block is written in, for tests.

Written from the language's rules and not from the generator: it knows nothing of Wherry. Strict where compilers are:
every expression has a type, nothing is converted without being asked for, names do not tell upper from lower case, and
what is not declared is an error. Whole numbers that do not fit their type are an error, REAL is held in 32 bits.
Rules from memory of IEC 61131-3 (third edition): tables of elementary types, bit-string functions, conversions (a bit
string becomes a number by its bits), time functions, and the timer on delay (TON).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import pytest

BITS = {"BOOL": 1, "WORD": 16, "DWORD": 32, "LWORD": 64}
WHOLE = {"INT": (16, True), "DINT": (32, True), "LINT": (64, True), "UINT": (16, False), "UDINT": (32, False)}
WHOLE["ULINT"] = (64, False)
REALS = {"REAL": "f", "LREAL": "d"}
TOKEN = re.compile(
    r"""\s+|\(\*.*?\*\)
    |(?P<time>T\#[0-9]+(?:ms|s|m|h))
    |(?P<based>16\#[0-9A-F_]+)
    |(?P<real>[0-9]+\.[0-9]+(?:E-?[0-9]+)?)
    |(?P<whole>[0-9]+)
    |(?P<name>[A-Za-z][A-Za-z0-9_]*)
    |(?P<sign>:=|<>|<=|>=|[-+*/()<>=;:,.])""",
    re.VERBOSE | re.DOTALL,
)
Read = Callable[["dict[str, Any]"], Any]


class TextError(Exception):
    """What a compiler would refuse."""


class Typed(NamedTuple):
    """An expression: its type (``#`` and a family for a literal that takes the type it is needed in), and its value."""

    type: str
    read: Read


@dataclass
class Timer:
    """A timer on delay (TON). ``now_ms`` is set by whoever scans."""

    now_ms: int = 0
    started_ms: int | None = None
    IN: bool = False
    PT: int = 0
    Q: bool = False
    ET: int = 0

    def call(self) -> None:
        if not self.IN:
            self.started_ms, self.ET, self.Q = None, 0, False
            return
        if self.started_ms is None:
            self.started_ms = self.now_ms
        self.ET = min(self.now_ms - self.started_ms, self.PT)
        self.Q = self.ET >= self.PT


MEMBERS = {"IN": "BOOL", "PT": "TIME", "Q": "BOOL", "ET": "TIME"}


@dataclass
class FunctionBlock:
    """One instance: call ``scan`` again and again."""

    name: str
    types: dict[str, str]
    sections: dict[str, str]
    start: dict[str, Any]
    body: Callable[[dict[str, Any]], None]
    values: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.values = {
            name: Timer() if kind == "TON" else self.start.get(name, False if kind == "BOOL" else 0)
            for name, kind in self.types.items()
        }

    def scan(self, now_ms: int, **inputs: Any) -> None:
        """One call with these inputs."""
        for name, value in inputs.items():
            assert self.sections[name.upper()] == "VAR_INPUT", name
            self.values[name.upper()] = fitting(self.types[name.upper()], value)
        for timer in self.values.values():
            if isinstance(timer, Timer):
                timer.now_ms = now_ms
        self.body(self.values)

    def __getitem__(self, name: str) -> Any:
        return self.values[name.upper()]


def fitting(kind: str, value: Any) -> Any:
    """The value as its type holds it; TextError if it does not."""
    if kind == "BOOL":
        if not isinstance(value, bool):
            raise TextError(f"{value!r} is no BOOL")
    elif kind in BITS:
        if not 0 <= value < 1 << BITS[kind]:
            raise TextError(f"{value} does not fit {kind}")
    elif kind in WHOLE:
        bits, is_signed = WHOLE[kind]
        low, high = (-(1 << bits - 1), 1 << bits - 1) if is_signed else (0, 1 << bits)
        if not low <= value < high:
            raise TextError(f"{value} does not fit {kind}")
    elif kind == "REAL":
        return struct.unpack("f", struct.pack("f", value))[0]
    return value


def instance(text: str) -> FunctionBlock:
    """Read one function block. TextError for what a compiler would refuse."""
    return _Reader(text).block()


def tokens_of(text: str) -> list[tuple[str, str]]:
    at, found = 0, []
    while at < len(text):
        match = TOKEN.match(text, at)
        if match is None:
            raise TextError(f"cannot be read: {text[at : at + 20]!r}")
        if match.lastgroup:
            found.append((match.lastgroup, match.group()))
        at = match.end()
    return found


def _plus(left: Any, right: Any) -> Any:
    return left + right


def _minus(left: Any, right: Any) -> Any:
    return left - right


class _Reader:
    def __init__(self, text: str) -> None:
        self._tokens = tokens_of(text)
        self._at = 0
        self._types: dict[str, str] = {}
        self._sections: dict[str, str] = {}
        self._start: dict[str, Any] = {}

    # Tokens.

    def _peek(self) -> str:
        return self._tokens[self._at][1].upper() if self._at < len(self._tokens) else ""

    def _take(self, wanted: str = "") -> str:
        if self._at >= len(self._tokens):
            raise TextError(f"the text ends where {wanted or 'more'} should come")
        found = self._tokens[self._at][1]
        if wanted and found.upper() != wanted:
            raise TextError(f"{wanted} should stand where {found} stands")
        self._at += 1
        return found

    def _name(self) -> str:
        if self._at >= len(self._tokens) or self._tokens[self._at][0] != "name":
            raise TextError(f"{self._peek()} is no name")
        name = self._take()
        if "__" in name or name.endswith("_"):
            raise TextError(f"{name} is no identifier")
        return name.upper()

    # Declarations.

    def block(self) -> FunctionBlock:
        self._take("FUNCTION_BLOCK")
        name = self._name()
        while self._peek() in ("VAR_INPUT", "VAR_OUTPUT", "VAR"):
            self._section(self._take().upper())
        body = self._statements("END_FUNCTION_BLOCK")
        self._take("END_FUNCTION_BLOCK")
        if self._at != len(self._tokens):
            raise TextError("something stands behind the end")
        return FunctionBlock(name, self._types, self._sections, self._start, body)

    def _section(self, section: str) -> None:
        while self._peek() != "END_VAR":
            name = self._name()
            if name in self._types:
                raise TextError(f"{name} is declared twice")
            self._take(":")
            kind = self._name()
            if kind not in BITS and kind not in WHOLE and kind not in REALS and kind not in ("TIME", "TON"):
                raise TextError(f"there is no type {kind}")
            self._types[name], self._sections[name] = kind, section
            if self._peek() == ":=":
                self._take()
                value = self._typed_as(self._expression(), kind)
                self._start[name] = fitting(kind, value.read({}))
            self._take(";")
        self._take("END_VAR")

    # Statements.

    def _statements(self, *ends: str) -> Callable[[dict[str, Any]], None]:
        steps: list[Callable[[dict[str, Any]], None]] = []
        while self._peek() not in ends:
            steps.append(self._statement())

        def run(values: dict[str, Any]) -> None:
            for step in steps:
                step(values)

        return run

    def _statement(self) -> Callable[[dict[str, Any]], None]:
        if self._peek() == "IF":
            return self._if()
        name = self._name()
        if name not in self._types:
            raise TextError(f"{name} is not declared")
        if self._peek() == "(":
            return self._call(name)
        kind = self._types[name]
        if self._sections[name] == "VAR_INPUT":
            raise TextError(f"{name} is an input")
        self._take(":=")
        read = self._typed_as(self._expression(), kind).read
        self._take(";")

        def assign(values: dict[str, Any]) -> None:
            values[name] = fitting(kind, read(values))

        return assign

    def _if(self) -> Callable[[dict[str, Any]], None]:
        branches = []
        self._take("IF")
        while True:
            condition = self._typed_as(self._expression(), "BOOL").read
            self._take("THEN")
            branches.append((condition, self._statements("ELSIF", "ELSE", "END_IF")))
            if self._peek() != "ELSIF":
                break
            self._take("ELSIF")
        otherwise = None
        if self._peek() == "ELSE":
            self._take("ELSE")
            otherwise = self._statements("END_IF")
        self._take("END_IF")
        self._take(";")

        def run(values: dict[str, Any]) -> None:
            for condition, then in branches:
                if condition(values):
                    then(values)
                    return
            if otherwise is not None:
                otherwise(values)

        return run

    def _call(self, name: str) -> Callable[[dict[str, Any]], None]:
        if self._types[name] != "TON":
            raise TextError(f"{name} cannot be called")
        self._take("(")
        given: dict[str, Read] = {}
        while True:
            member = self._name()
            if member not in ("IN", "PT"):
                raise TextError(f"a timer has no input {member}")
            self._take(":=")
            given[member] = self._typed_as(self._expression(), MEMBERS[member]).read
            if self._take() == ")":
                break
        self._take(";")

        def call(values: dict[str, Any]) -> None:
            timer = values[name]
            for member, read in given.items():
                setattr(timer, member, read(values))
            timer.call()

        return call

    # Expressions: the weakest first.

    def _expression(self) -> Typed:
        left = self._conjunction()
        while self._peek() == "OR":
            self._take()
            left = self._logic(left, self._conjunction(), lambda a, b: a | b)
        return left

    def _conjunction(self) -> Typed:
        left = self._comparison()
        while self._peek() == "AND":
            self._take()
            left = self._logic(left, self._comparison(), lambda a, b: a & b)
        return left

    def _logic(self, left: Typed, right: Typed, work: Callable[[Any, Any], Any]) -> Typed:
        left, right = self._alike(left, right)
        if left.type not in BITS:
            raise TextError(f"AND and OR are for bit strings, not for {left.type}")
        return Typed(left.type, lambda values: work(left.read(values), right.read(values)))

    def _comparison(self) -> Typed:
        left = self._sum()
        if self._peek() not in ("=", "<>", "<", ">", "<=", ">="):
            return left
        sign = self._take()
        left, right = self._alike(left, self._sum())
        if left.type in BITS and sign not in ("=", "<>"):
            raise TextError(f"{left.type} is not compared by {sign} everywhere")
        work: dict[str, Callable[[Any, Any], bool]] = {
            "=": lambda a, b: a == b,
            "<>": lambda a, b: a != b,
            "<": lambda a, b: a < b,
            ">": lambda a, b: a > b,
            "<=": lambda a, b: a <= b,
            ">=": lambda a, b: a >= b,
        }
        return Typed("BOOL", lambda values: work[sign](left.read(values), right.read(values)))

    def _sum(self) -> Typed:
        left = self._product()
        while self._peek() in ("+", "-"):
            work = _plus if self._take() == "+" else _minus
            left = self._number(left, self._product(), work)
        return left

    def _product(self) -> Typed:
        left = self._unary()
        while self._peek() == "*":
            self._take()
            right = self._unary()
            if left.type == "TIME":
                if right.type not in WHOLE and right.type != "#whole":
                    raise TextError(f"a TIME times a {right.type}")
                left = self._times(left, right)
            else:
                left = self._number(left, right, lambda a, b: a * b)
        return left

    def _times(self, left: Typed, right: Typed) -> Typed:
        return Typed("TIME", lambda values: left.read(values) * right.read(values))

    def _number(self, left: Typed, right: Typed, work: Callable[[Any, Any], Any]) -> Typed:
        left, right = self._alike(left, right)
        kind = left.type
        if kind not in WHOLE and kind not in REALS and kind != "TIME":
            raise TextError(f"no arithmetic with {kind}")
        return Typed(kind, lambda values: fitting(kind, work(left.read(values), right.read(values))))

    def _unary(self) -> Typed:
        if self._peek() == "NOT":
            self._take()
            inner = self._typed_as(self._unary(), "BOOL")
            return Typed("BOOL", lambda values: not inner.read(values))
        if self._peek() == "-":
            self._take()
            inner = self._unary()
            if inner.type not in ("#whole", "#real"):
                raise TextError("a sign stands before literals only")
            return Typed(inner.type, lambda values: -inner.read(values))
        return self._primary()

    def _primary(self) -> Typed:
        family, text = self._tokens[self._at] if self._at < len(self._tokens) else ("", "")
        if text == "(":
            self._take()
            inner = self._expression()
            self._take(")")
            return inner
        if family == "time":
            self._take()
            match = re.fullmatch(r"T#(\d+)(ms|s|m|h)", text)
            assert match is not None
            time_ms = int(match[1]) * {"ms": 1, "s": 1000, "m": 60_000, "h": 3_600_000}[match[2]]
            return Typed("TIME", lambda values: time_ms)
        if family == "based":
            self._take()
            bits = int(text[3:].replace("_", ""), 16)
            return Typed("#bits", lambda values: bits)
        if family in ("whole", "real"):
            self._take()
            number = int(text) if family == "whole" else float(text)
            return Typed(f"#{family}", lambda values: number)
        name = self._name()
        if name in ("TRUE", "FALSE"):
            return Typed("BOOL", lambda values: name == "TRUE")
        if self._peek() == "(":
            return self._function(name)
        if self._peek() == ".":
            self._take()
            member = self._name()
            if self._types.get(name) != "TON" or member not in MEMBERS:
                raise TextError(f"there is no {name}.{member}")
            return Typed(MEMBERS[member], lambda values: getattr(values[name], member))
        if name not in self._types or self._types[name] == "TON":
            raise TextError(f"{name} is not declared")
        return Typed(self._types[name], lambda values: values[name])

    def _function(self, name: str) -> Typed:
        self._take("(")
        first = self._expression()
        if name in ("SHL", "SHR", "ROL"):
            self._take(",")
            count = self._typed_as(self._expression(), "INT").read
            self._take(")")
            return self._shift(name, first, count)
        self._take(")")
        source, _, target = name.partition("_TO_")
        return Typed(target, self._conversion(source, target, self._typed_as(first, source).read))

    def _shift(self, name: str, first: Typed, count: Read) -> Typed:
        if first.type not in BITS or first.type == "BOOL":
            raise TextError(f"{name} is for bit strings, not for {first.type}")
        width = BITS[first.type]
        mask = (1 << width) - 1

        def work(values: dict[str, Any]) -> int:
            bits, by = first.read(values), count(values)
            if name == "SHR":
                return int(bits >> by)
            if name == "SHL":
                return int(bits << by & mask)
            return int((bits << by | bits >> width - by) & mask)

        return Typed(first.type, work)

    def _conversion(self, source: str, target: str, read: Read) -> Read:
        if source in BITS and target in BITS:
            return lambda values: fitting(target, read(values))
        if source in BITS and target in WHOLE and WHOLE[target][0] == BITS[source]:
            bits, is_signed = WHOLE[target]
            size = bits // 8
            return lambda values: int.from_bytes(read(values).to_bytes(size, "big"), "big", signed=is_signed)
        if source in BITS and target in REALS and BITS[source] == 8 * struct.calcsize(REALS[target]):
            size, form = BITS[source] // 8, ">" + REALS[target]
            return lambda values: struct.unpack(form, read(values).to_bytes(size, "big"))[0]
        if source in WHOLE and target in REALS:
            return lambda values: fitting(target, float(read(values)))
        if (source, target) == ("REAL", "LREAL"):
            return read
        raise TextError(f"there is no {source}_TO_{target}")

    # Types.

    def _alike(self, left: Typed, right: Typed) -> tuple[Typed, Typed]:
        if left.type.startswith("#") and not right.type.startswith("#"):
            return self._typed_as(left, right.type), right
        return left, self._typed_as(right, left.type)

    def _typed_as(self, found: Typed, kind: str) -> Typed:
        if found.type == kind:
            return found
        takes = {"#bits": (*BITS, *WHOLE), "#whole": tuple(WHOLE), "#real": tuple(REALS)}
        if kind in takes.get(found.type, ()):
            value = fitting(kind, found.read({}))
            return Typed(kind, lambda values: value)
        raise TextError(f"a {found.type} stands where a {kind} is needed")


@dataclass(frozen=True)
class Language:
    """What tests get: how to read a block, and what it is refused with."""

    instance: Callable[[str], FunctionBlock] = instance
    refusal: type[Exception] = TextError


@pytest.fixture
def language() -> Language:
    """The interpreter of structured text."""
    return Language()
