"""What a device is and how it treats its clients: units, identity, idle connections, more of them, several requests."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from wherry.errors import PeerError
from wherry.limits import IN_FLIGHT_MAX
from wherry.protocol.functions import ExceptionCode, FunctionCode, Table
from wherry.protocol.pdu import (
    Diagnostics,
    GetCommEventCounter,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadExceptionStatus,
    ReportServerId,
    Request,
    SubFunction,
    decode_response,
)
from wherry.protocol.pdu_files import ReadDeviceCode
from wherry.protocol.prepared import Prepared, prepare
from wherry.protocol.tolerance import Tolerance
from wherry.survey.asking import Answer, Burst, Doors, Exchange, Kind, Procedure, Rest, Tolerate
from wherry.survey.items import read_of

CONTINUED_MAX: Final = 8
"""Answers to one request for identification that are continued, at most."""
DEPTHS: Final = (2, 4, 8, IN_FLIGHT_MAX)
OBJECT_NAMES: Final = {
    0: "vendor", 1: "product", 2: "revision", 3: "url", 4: "product_name", 5: "model", 6: "application",
}  # fmt: skip
"""Names for the objects of function 2B/0E (AP 6.21, page 43)."""


def answers_as_unit(answer: Answer) -> bool:
    """Whether somebody is there: also a refusal is an answer, but for those that a gateway gives for a missing unit."""
    return answer.is_answer and answer.code not in (
        ExceptionCode.GATEWAY_PATH_UNAVAILABLE,
        ExceptionCode.GATEWAY_TARGET_FAILED,
    )


def find_unit(unit: int, table: Table, start: int) -> Procedure[Answer]:
    """Ask a unit for one item: a refusal is an answer as well. Twice at most: units that are not there cost time."""
    ask = Exchange(read_of(unit, table, start, 1), may_fail=True, once=True)
    answer = yield ask
    if answer.is_doubtful and not answer.why:
        answer = yield ask
    return answer


def find_tolerance(prepared: Prepared, failed: Answer) -> Procedure[tuple[Tolerance, ...]]:
    """Which way of breaking the rules explains that nothing fits the request, or nothing came; empty when none does."""
    told = [way for way in Tolerance if f'"{way}"' in failed.why]
    if failed.kind is Kind.BROKEN:
        told.append(Tolerance.UNIT)
    for way in told or [Tolerance.ONLY_ZERO]:
        yield Tolerate((way,))
        answer = yield Exchange(prepared, may_fail=True)
        if answer.is_answer:
            return (way,)
    yield Tolerate(())
    return ()


@dataclass
class About:
    """What a device says of itself. ``functions``: what became of each function that was tried, by its code."""

    objects: dict[int, str] = field(default_factory=dict)
    server_id: bytes = b""
    functions: dict[int, str] = field(default_factory=dict)


def identify(unit: int, about: About) -> Procedure[None]:
    """Functions 2B/0E, 11, 07, 08/00 and 0B. None of them sets anything."""
    yield from _objects(unit, about)
    others: tuple[Request, ...] = (
        ReportServerId(),
        ReadExceptionStatus(),
        Diagnostics(SubFunction.RETURN_QUERY_DATA, b"\x57\x68"),
        GetCommEventCounter(),
    )
    for request in others:
        answer = yield Exchange(prepare(unit, request), may_fail=True)
        about.functions[request.function] = _served(answer)
        if answer.is_data and request.function == FunctionCode.REPORT_SERVER_ID:
            about.server_id = answer.payload[1:]


def _objects(unit: int, about: About) -> Procedure[None]:
    code = FunctionCode.ENCAPSULATED_INTERFACE
    for level in (ReadDeviceCode.BASIC, ReadDeviceCode.REGULAR):
        following: int | None = 0
        for _ in range(CONTINUED_MAX):
            if following is None:
                break
            request = ReadDeviceIdentification(level, following)
            answer = yield Exchange(prepare(unit, request), may_fail=True)
            if level is ReadDeviceCode.BASIC:
                about.functions[code] = _served(answer)
            following = _taken(request, answer, about) if answer.is_data else None
        if not about.objects:
            return


def _taken(request: ReadDeviceIdentification, answer: Answer, about: About) -> int | None:
    """Take the objects of an answer; the object to go on with, if there are more."""
    try:
        response = decode_response(request, bytes((request.function,)) + answer.payload)
    except PeerError:
        return None
    assert isinstance(response, ReadDeviceIdentificationResponse)
    before = len(about.objects)
    for number, text in response.objects:
        about.objects[number] = text.decode("utf-8", "backslashreplace").strip("\x00 ")
    is_more = response.more and len(about.objects) > before
    return response.next_object if is_more else None


def _served(answer: Answer) -> str:
    return "answered" if answer.is_data else answer.refusal


# Connections and requests in flight.


@dataclass(frozen=True, slots=True)
class Idle:
    """How long a connection may rest: closed after ``idle_ns``, or still open after ``watched_ns``."""

    idle_ns: int | None
    watched_ns: int


def find_idle(prepared: Prepared, longest_ns: int) -> Procedure[Idle]:
    """Ask once, and then nothing for a while."""
    yield Exchange(prepared, may_fail=True)
    answer = yield Rest(longest_ns)
    if answer.kind is Kind.LOST:
        return Idle(answer.elapsed_ns, answer.elapsed_ns)
    return Idle(None, answer.elapsed_ns)


@dataclass(frozen=True, slots=True)
class Connections:
    """How many connections worked at once, and what became of the next one. Empty: no new one failed, and ``count`` is
    only what was seen (the device may have closed some in between because nothing was asked on them)."""

    count: int
    beyond: str
    throws_out_first: bool


def find_connections(prepared: Prepared, most: int) -> Procedure[Connections]:
    """Open one more at a time."""
    answer = yield Doors(prepared, most)
    return Connections(answer.code, answer.why, answer.kind is Kind.LOST)


@dataclass(frozen=True, slots=True)
class InFlight:
    """How many requests at once were answered, and how the first of more was not; empty when no more were tried."""

    count: int
    beyond: str


def find_in_flight(prepared: Prepared) -> Procedure[InFlight]:
    """More requests at once, until one of them is not answered rightly; then between the two."""
    good, bad, how = 1, 0, ""
    for depth in DEPTHS:
        answer = yield Burst((prepared,) * depth)
        if not all(answer.payload):
            bad, how = depth, answer.refusal
            break
        good = depth
    while bad - good > 1:
        middle = (good + bad) // 2
        answer = yield Burst((prepared,) * middle)
        if all(answer.payload):
            good = middle
        else:
            bad, how = middle, answer.refusal
    return InFlight(good, how)
