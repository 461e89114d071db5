"""Is it the device that the plan means? Asked at every connection, before anything is written and anything counts.

A map of registers is proven for one device and one revision of it. A replaced device, two with one address, or new
firmware have another map at the same address. So what is asked waits until the declared marks were read: objects of
function 2B/0E (hex) and registers that hold something of its own. If they are other ones, nothing is written to it for
the rest of the run, and its values are Uncertain: to trust them again is a decision of people, not of time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import TYPE_CHECKING, Final

from wherry.engine.job import Job, NotSent, describe
from wherry.plan.model import Controller, Identity, Plan, Point, Table
from wherry.plan.wording import printable
from wherry.protocol.functions import ExceptionCode
from wherry.protocol.pdu import (
    ReadDeviceCode,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadHoldingRegisters,
    ReadInputRegisters,
    Request,
    decode_response,
)
from wherry.protocol.session import Outcome, Refusal, Reply, prepare
from wherry.values.codec import UnreadableError, reader

if TYPE_CHECKING:
    from wherry.engine.line import Line

OBJECT_NAMES: Final = ("vendor", "product", "revision")
ANSWERS_MAX: Final = 8
"""A list of three objects that goes on longer than this many answers is none."""
KNOWN_MAX: Final = 16
"""Identities remembered, to tell one that comes back from one that is new."""
NAMED_MAX: Final = 8
_NO_SUCH_MARK: Final = frozenset(
    {ExceptionCode.ILLEGAL_FUNCTION, ExceptionCode.ILLEGAL_DATA_ADDRESS, ExceptionCode.ILLEGAL_DATA_VALUE}
)


class Standing(Enum):
    """What is known of who answers on the present connection."""

    UNKNOWN = auto()
    ASKING = auto()
    RIGHT = auto()
    WRONG = auto()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found out. ``alternates``: what answers has been another device in between."""

    is_right: bool
    expected: str
    found: str
    alternates: bool = False


class Identification:
    """Finds out who answers on a line, and lets jobs wait until it is known. ``on_verdict`` hears what is new."""

    def __init__(self, line: Line, identity: Identity, on_verdict: Callable[[Verdict], None]) -> None:
        self.standing = Standing.UNKNOWN
        self.expected = expected_text(identity)
        self.found = ""
        """What was found last."""
        self.is_barred = False
        """Another device has answered in this run."""
        self.parked: list[Job] = []
        self._line = line
        self._unit = line.controller.unit
        self._identity = identity
        self._on_verdict = on_verdict
        self._known: list[str] = []
        self._alternates = False
        self._objects: dict[int, str] = {}
        self._contents: list[bytes | str] = []
        self._refused = ""
        self._answers = 0
        self._asked: Job | None = None

    @property
    def is_right(self) -> bool:
        """Whether it is known to be the device of the plan, and always was."""
        return self.standing is Standing.RIGHT and not self.is_barred

    def connected(self) -> None:
        """A new connection, or the unit was silent: it may be another device now."""
        self.standing = Standing.UNKNOWN
        asked, self._asked = self._asked, None
        waiting = [job for job in self._line.take_waiting() if job is not asked]
        if self.is_barred:
            for job in waiting:
                self._line.submit(job)
        else:
            self.parked += waiting

    def begin(self) -> None:
        """Ask who it is."""
        self.standing = Standing.ASKING
        self._objects, self._contents, self._refused, self._answers = {}, [], "", 0
        if self._identity.objects:
            self._ask(ReadDeviceIdentification(ReadDeviceCode.BASIC, 0), self._objects_came)
        else:
            self._ask_register()

    def admit(self, job: Job) -> bool:
        """Whether a job may go on now. Otherwise it waits here, or is over."""
        if self.is_barred:
            return True
        if self.standing is Standing.RIGHT:
            return True
        self.parked.append(job)
        if self._line.link.transport is None:
            # It rests; the new connection begins by asking.
            self._line.link.wake()
        elif self.standing is Standing.UNKNOWN:
            self.begin()
        return False

    # What it says of itself.

    def _ask(self, request: Request, done: Callable[[Outcome | NotSent], None]) -> None:
        self._asked = Job(prepare(self._unit, request), done, is_write=False)
        self._line.ask(self._asked)

    def _objects_came(self, outcome: Outcome | NotSent) -> None:
        if isinstance(outcome, Refusal) and outcome.code in _NO_SUCH_MARK:
            self._refused = f"no identification (function 2B/0E: {describe(outcome).removeprefix(REFUSED)})"
            self._ask_register()
            return
        if not isinstance(outcome, Reply):
            self._fail()
            return
        answer = decode_response(outcome.prepared.request, b"\x2b" + outcome.payload)
        assert isinstance(answer, ReadDeviceIdentificationResponse)
        self._objects.update({number: text_of(data) for number, data in answer.objects})
        self._answers += 1
        if answer.more and answer.next_object < len(OBJECT_NAMES) and self._answers < ANSWERS_MAX:
            self._ask(ReadDeviceIdentification(ReadDeviceCode.BASIC, answer.next_object), self._objects_came)
        else:
            self._ask_register()

    def _ask_register(self) -> None:
        if len(self._contents) == len(self._identity.registers):
            self._judge()
            return
        at = self._identity.registers[len(self._contents)].at
        kind = ReadInputRegisters if at.table is Table.INPUT else ReadHoldingRegisters
        self._ask(kind(at.address, at.count), self._register_came)

    def _register_came(self, outcome: Outcome | NotSent) -> None:
        if isinstance(outcome, Reply):
            self._contents.append(outcome.payload)
        elif isinstance(outcome, Refusal) and outcome.code in _NO_SUCH_MARK:
            self._contents.append(describe(outcome).removeprefix(REFUSED))
        else:
            self._fail()
            return
        self._ask_register()

    def _fail(self) -> None:
        """It could not be found out; the next job asks again."""
        if self.standing is Standing.ASKING:
            self.standing = Standing.UNKNOWN
        for job in self.take_parked():
            job.done(NotSent.UNIDENTIFIED)

    def take_parked(self) -> list[Job]:
        """All that waits."""
        parked, self.parked = self.parked, []
        return parked

    # The verdict.

    def _judge(self) -> None:
        found, is_right = self._compare()
        is_first = not self._known
        is_change = not is_first and found != self.found
        returned = is_change and found in self._known
        self.found = found
        if found not in self._known and len(self._known) < KNOWN_MAX:
            self._known.append(found)
        self.standing = Standing.RIGHT if is_right else Standing.WRONG
        was_barred, was_alternating = self.is_barred, self._alternates
        self.is_barred = was_barred or not is_right
        self._alternates = was_alternating or returned
        if self.is_barred:
            self._line.guard.disarm()
        if is_first or self.is_barred is not was_barred or self._alternates is not was_alternating:
            self._on_verdict(Verdict(is_right, self.expected, found, self._alternates))
        self._line.identified()
        for job in self.take_parked():
            self._line.submit(job)

    def _compare(self) -> tuple[str, bool]:
        """What it says of itself in words, and whether that is what the plan says."""
        parts: list[str] = [self._refused] if self._refused else []
        is_right = not self._refused
        for number, wanted in self._identity.objects:
            said = self._objects.get(number)
            is_right = is_right and said == wanted.rstrip()
            if not self._refused:
                name = OBJECT_NAMES[number]
                parts.append(f"no {name}" if said is None else f'{name} "{printable(said)}"')
        for mark, content in zip(self._identity.registers, self._contents, strict=True):
            is_right = is_right and content == mark.data
            parts.append(f"{mark.at}: {content}" if isinstance(content, str) else content_text(mark.at, content))
        return ", ".join(parts), is_right


REFUSED: Final = "the controller refused it: "


def text_of(data: bytes) -> str:
    """An identification object as text: ASCII by the standard (AP 6.21, page 43), padding not counted."""
    return data.decode("latin-1").rstrip("\0 ")


def content_text(at: Point, data: bytes) -> str:
    """What registers hold, as people read it."""
    try:
        content = reader(at)(data)
        return f"{at} = " + (f'"{printable(content)}"' if isinstance(content, str) else str(content))
    except UnreadableError:
        return f"{at} = {data.hex()} (hex)"


def expected_text(identity: Identity) -> str:
    """What a controller must say of itself."""
    parts = [f'{OBJECT_NAMES[number]} "{printable(text)}"' for number, text in identity.objects]
    return ", ".join([*parts, *(content_text(each.at, each.data) for each in identity.registers)])


def prove_again(plan: Plan, controller: Controller) -> list[str]:
    """The values whose places in this controller are not proven any more, as ``transfer: value``."""
    name = controller.name
    used = [each for each in plan.transfers if name in (each.source, each.destination)]
    return [f"{each.name}: {value.name}" for each in used for value in each.values]


def verdict_text(name: str, verdict: Verdict, unproven: Sequence[str]) -> str:
    """What people are told."""
    if verdict.is_right and not verdict.alternates:
        return f"{name} is the device of the plan: {verdict.found}"
    listed = ", ".join(unproven[:NAMED_MAX]) + (
        f" and {len(unproven) - NAMED_MAX} more" if len(unproven) > NAMED_MAX else ""
    )
    what = f"{name} is another device than the plan names: expected {verdict.expected}; found {verdict.found}"
    if verdict.alternates:
        what = (
            f"two devices answer in turns at the address of {name}: expected {verdict.expected}; now {verdict.found}; "
            "give each an address of its own"
        )
    return (
        f"{what}. Nothing is written to it any more in this run, and its values are Uncertain. "
        f"To be proved again: {listed}"
    )
