"""The shape of the plan file, once: what keys there are, what each holds, which must be there.

From these classes come the reading of a plan (``shape``), the JSON Schema for editors (``wherry schema``) and the
tables of the plan reference (``docs/plan.md``). ``extra`` says how a text is meant, for those who read it on.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from wherry import limits as bounds
from wherry.plan import connect, durations, places
from wherry.plan.model import ENDURANCE_WRITES

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

Number = float
"""A number of a plan: whole numbers are numbers too."""


def _meta(description: str, *examples: Any, pattern: str = "", means: str = "", **bound: Any) -> Meta:
    """What is told of a key. Patterns and bounds are published only: the reader of plans has better words for them."""
    published = dict(bound)
    if pattern:
        published["pattern"] = pattern
    return Meta(
        description=description,
        examples=list(examples) or None,
        extra_json_schema=published or None,
        extra={"means": means} if means else None,
    )


def _duration(description: str, *examples: str) -> Meta:
    return _meta(description, *examples, pattern=durations.PATTERN, means="duration")


def _place(description: str, *examples: str) -> Meta:
    return _meta(description, *examples, pattern=places.PATTERN, means="place")


def _storage(what: str) -> Meta:
    return _meta(
        f'How {what} kept: "non-volatile" memory wears out by being written, "volatile" does not. What nobody says '
        "counts as wearing."
    )


class Table(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """Base of every table of the plan file."""


class LimitsTable(Table):
    """What the controller stands. Everything left out is the standard's quantity, or the gentlest choice."""

    read: Annotated[int, _meta("Most registers in one read.", minimum=1, maximum=bounds.READ_REGISTERS_MAX)] = (
        bounds.READ_REGISTERS_MAX
    )
    write: Annotated[int, _meta("Most registers in one write.", minimum=1, maximum=bounds.WRITE_REGISTERS_MAX)] = (
        bounds.WRITE_REGISTERS_MAX
    )
    read_bits: Annotated[int, _meta("Most bits in one read.", minimum=1, maximum=bounds.READ_BITS_MAX)] = (
        bounds.READ_BITS_MAX
    )
    write_bits: Annotated[int, _meta("Most bits in one write.", minimum=1, maximum=bounds.WRITE_BITS_MAX)] = (
        bounds.WRITE_BITS_MAX
    )
    in_flight: Annotated[
        int, _meta("Requests that may wait for an answer at the same time.", minimum=1, maximum=bounds.IN_FLIGHT_MAX)
    ] = 1
    connections: Annotated[
        int, _meta("Connections that may be open at the same time.", minimum=1, maximum=bounds.CONNECTIONS_MAX)
    ] = 1
    gap: Annotated[str, _duration("Least time from the end of one exchange to the next request.", "5 ms")] = "0 s"
    rate: Annotated[
        Number | UnsetType, _meta("Most requests in a second. Without it there is no such limit.", exclusiveMinimum=0)
    ] = UNSET
    timeout: Annotated[str, _duration("How long an answer is waited for.", "500 ms")] = "1 s"
    reconnect: Annotated[
        str, _duration("First wait before connecting again; it doubles, with jitter, up to 5 s.", "500 ms")
    ] = "500 ms"
    connects: Annotated[
        int | UnsetType,
        _meta(
            "Most attempts to connect in any hour, for devices that lock up after too many. Without it there is no "
            "such limit.",
            20,
            minimum=1,
            maximum=bounds.CONNECTS_PER_HOUR_MAX,
        ),
    ] = UNSET
    idle: Annotated[
        str | UnsetType, _duration("The device closes a connection on which nothing was asked for this long.", "10 s")
    ] = UNSET
    connection: Annotated[
        Literal["hold", "per exchange"],
        _meta("Keep the connection, or open it for the requests of one cycle and close it after them."),
    ] = "hold"
    gateway_timeout: Annotated[
        str | UnsetType,
        _duration("How long the gateway waits for a unit before it gives up; `timeout` must be longer.", "3 s"),
    ] = UNSET


class ResponseTable(Table):
    """How long the controller takes to answer; for packing requests and for simulation."""

    fixed: Annotated[str, _duration("Time of any answer.", "5 ms")] = "5 ms"
    per_register: Annotated[str, _duration("Additional time for each register.", "20 us")] = "20 us"


class SignalTable(Table):
    """One moving value of the simulated controller."""

    at: Annotated[str, _place("Where it is.", "holding 0 float32")]
    shape: Annotated[
        Literal["constant", "ramp", "sine", "walk", "counter", "step"],
        _meta("How it moves between `low` and `high`; a constant stays at `low`, a counter counts up by one."),
    ]
    low: Annotated[Number, _meta("The least value.")] = 0.0
    high: Annotated[Number, _meta("The greatest value.")] = 100.0
    period: Annotated[
        str, _duration("One round of a ramp, a sine, a walk, or a step up and down; one count of a counter.", "60 s")
    ] = "60 s"


class SimulateTable(Table):
    """How the controller behaves when it is simulated. Never used against a real one."""

    signals: Annotated[list[SignalTable], _meta("Values that move.")] = []
    holes: Annotated[
        list[Annotated[str, _place("A place that does not exist.", "holding 50..59")]],
        _meta("Places that do not exist: reading or writing them is refused."),
    ] = []


class IdentityRegisterTable(Table):
    """A place that tells one device from another by what it holds."""

    at: Annotated[str, _place("Input or holding registers.", "holding 9000", "input 30 string(8)")]
    is_: Annotated[int | float | str, _meta("What they hold, as a number or text of their type.", 0x1234)] = (
        msgspec.field(name="is")
    )


class IdentityTable(Table):
    """What the controller must say of itself before it is written to and before its values count."""

    vendor: Annotated[str | UnsetType, _meta("The vendor's name: object 0 of function 2B/0E (hexadecimal).")] = UNSET
    product: Annotated[str | UnsetType, _meta("The product code: object 1.")] = UNSET
    revision: Annotated[str | UnsetType, _meta("The revision: object 2.", "V2.11")] = UNSET
    registers: Annotated[list[IdentityRegisterTable], _meta("Registers that hold something of its own.")] = []


ToleranceWord = Literal[
    "transaction id 0", "transaction id swapped", "transaction id plus one", "only transaction id 0", "unit id"
]


class ControllerTable(Table):
    """One device that answers Modbus requests."""

    connect: Annotated[
        str,
        _meta(
            "Where it is: `tcp://host`, with `:port` if it is not 502, or `rtu+tcp://host:port` for serial framing.",
            "tcp://10.20.0.11",
            "tcp://10.20.0.11:1502",
            "rtu+tcp://10.20.0.12:4001",
            pattern=connect.PATTERN,
            means="connect",
        ),
    ]
    unit: Annotated[int, _meta("Unit id.", minimum=0, maximum=bounds.UNIT_MAX)] = 1
    limits: Annotated[LimitsTable, _meta("What it stands.")] = msgspec.field(default_factory=LimitsTable)
    response: Annotated[ResponseTable, _meta("How long it takes to answer.")] = msgspec.field(
        default_factory=ResponseTable
    )
    readable: Annotated[
        list[Annotated[str, _place("A run of places.", "holding 0..199")]],
        _meta("Runs of places that may be read over even where no value is declared."),
    ] = []
    write_single: Annotated[
        bool, _meta("Write single items with function codes 05 and 06 in place of 0F and 10 (hexadecimal).")
    ] = False
    bit_writes: Annotated[
        Literal["mask", "read-change-write"],
        _meta(
            "How a bit inside a register is set: with function 16 (hexadecimal), or, for devices without it, by "
            "reading the register, changing the bit and writing it, only in registers of `owned`."
        ),
    ] = "mask"
    owned: Annotated[
        list[Annotated[str, _place("A register.", "holding 5")]],
        _meta("Registers that only this plan writes, all sixteen bits of them.", ["holding 5"]),
    ] = []
    simulate: Annotated[SimulateTable, _meta("How it behaves when simulated.")] = msgspec.field(
        default_factory=SimulateTable
    )
    identity: Annotated[
        IdentityTable | UnsetType,
        _meta(
            "What it must say of itself, at every connection, before it is written to and before its values are Good."
        ),
    ] = UNSET
    lease: Annotated[
        str | UnsetType,
        _duration(
            "How long it keeps what it was given; not written again in that time, it does `when_silent`.", "30 s"
        ),
    ] = UNSET
    when_silent: Annotated[
        Literal["holds", "falls back", "stops", "runs on"] | UnsetType,
        _meta(
            "What it does when nothing is written to it any more: it holds the last values, falls back to values of "
            "its own, stops, or runs on to a limit. Try it out before it is relied on.",
            "holds",
        ),
    ] = UNSET
    storage: Annotated[Literal["volatile", "non-volatile"] | UnsetType, _storage("its places are")] = UNSET
    endurance: Annotated[
        int, _meta("Writes that a non-volatile place stands.", 10_000, minimum=1, maximum=bounds.ENDURANCE_MAX)
    ] = ENDURANCE_WRITES
    life: Annotated[
        str,
        _meta(
            "How long its non-volatile places must last.", "10 y", "180 d", pattern=durations.LIFE_PATTERN, means="life"
        ),
    ] = "10 y"
    profile: Annotated[
        str | UnsetType,
        _meta(
            "A device profile that lies beside the plan, as `wherry survey --save` writes it. What the plan does not "
            "say itself of limits, response times and places that do not exist, or may be read over, comes from it.",
            "skid.profile.toml",
            minLength=1,
        ),
    ] = UNSET
    tolerate: Annotated[
        list[ToleranceWord],
        _meta(
            "Ways in which its replies may break the rules and are taken all the same, one request at a time; nothing "
            "that rests on them is better than Uncertain.",
            ["transaction id 0"],
        ),
    ] = []
    baud: Annotated[
        int | UnsetType,
        _meta(
            "The rate of the serial line behind its gateway, in bits a second: the time of frames there comes on top "
            "of `response`.",
            19_200,
            minimum=bounds.BAUD_MIN,
            maximum=bounds.BAUD_MAX,
        ),
    ] = UNSET
    update: Annotated[
        str | UnsetType,
        _duration("How often its program renews what it shows; values are older by as much, at the most.", "100 ms"),
    ] = UNSET
    scan: Annotated[
        str | UnsetType,
        _duration("How often its program looks at what was put; it acts as much later, at the most.", "50 ms"),
    ] = UNSET


Storage = Literal["volatile", "non-volatile"]
Rounding = Literal["half even", "half away", "down", "up", "toward zero"]
FourNumbers = tuple[Number, Number, Number, Number]


class ValueTable(Table):
    """One value: where it is taken, what is done to it, where it is put."""

    name: Annotated[str, _meta("What it is, in words; once in a transfer.", "tank 1 oxygen", minLength=1)]
    take: Annotated[str, _place("The place in the source.", "holding 0 float32 CDAB", "holding 12.3", "40001")]
    put: Annotated[str, _place("The place in the destination.", "holding 100 int16", "coil 5")]
    take_scale: Annotated[
        FourNumbers | UnsetType,
        _meta("From the source's number to the value in `unit`: two numbers and what they become.", [0, 4000, 0, 20]),
    ] = UNSET
    scale: Annotated[
        FourNumbers | UnsetType,
        _meta("From the value to the number that is put: two values and what they become.", [0, 20, 0, 2000]),
    ] = UNSET
    unit: Annotated[str, _meta("The engineering unit people read the value in.", "mg/L", "degC")] = ""
    put_unit: Annotated[str, _meta("The unit the destination works in, if it is another one.", "degF")] = ""
    range: Annotated[
        tuple[Number, Number] | UnsetType,
        _meta("Least and greatest value, in `unit`; a value outside is Bad.", [0, 20]),
    ] = UNSET
    not_available: Annotated[
        list[Annotated[int | str, _meta("A register content.", "0x8000", 32767)]],
        _meta('Register contents that mean "no value".', ["0x8000"]),
    ] = []
    jump: Annotated[
        Number | UnsetType,
        _meta(
            "Largest step of the source's value within one period, in `unit`; a larger one is Bad.", exclusiveMinimum=0
        ),
    ] = UNSET
    counter: Annotated[
        Literal["up", "down"] | UnsetType,
        _meta("The value is a counter that moves this way only; a reading that went the other way is Bad."),
    ] = UNSET
    modulus: Annotated[
        Number | UnsetType,
        _meta("The number, in `unit`, at which the counter begins again from 0.", 65536, exclusiveMinimum=0),
    ] = UNSET
    clamp: Annotated[
        bool, _meta("Put a number that does not fit as the nearest one that fits, as Uncertain; else it is Bad.")
    ] = False
    rounding: Annotated[Rounding, _meta("How a number becomes a whole number.")] = "half even"
    deadband: Annotated[
        Number | UnsetType,
        _meta(
            "Write on change: only when the value differs by more than this, in `unit`, from what was written last. "
            "With 0, or without it beside `shortest` or `refresh`, every change counts.",
            0.1,
            minimum=0,
        ),
    ] = UNSET
    shortest: Annotated[
        str | UnsetType, _duration("Write on change, and leave at least this time between two writes.", "10 s")
    ] = UNSET
    refresh: Annotated[
        str | UnsetType,
        _duration("Write on change, and at least this often: for receivers that forget what they were given.", "1 min"),
    ] = UNSET
    substitute: Annotated[
        Number | bool | str | UnsetType,
        _meta('What is put while the value is Bad and `on_loss` is "substitute", in `unit`.'),
    ] = UNSET
    group: Annotated[str, _meta("Values of one group are read in one request and written in one request.")] = ""
    storage: Annotated[Storage | UnsetType, _storage("its place in the destination is")] = UNSET
    step: Annotated[
        Number | UnsetType,
        _meta(
            "Largest change of the place in the destination within one period, in `unit`. The place is read before "
            "each write.",
            0.5,
            exclusiveMinimum=0,
        ),
    ] = UNSET
    on_step: Annotated[
        Literal["ramp", "hold"],
        _meta(
            "A value further than `step` from what the place holds: move there in steps, or write nothing until it is "
            "nearer."
        ),
    ] = "ramp"
    verify: Annotated[
        str | UnsetType,
        _duration("Read the place back before each write: after this time it must hold what was put.", "2 s"),
    ] = UNSET
    verify_at: Annotated[
        str | UnsetType,
        _place("Another place in the destination that shows what became of it, in the same numbers.", "input 50"),
    ] = UNSET
    tolerance: Annotated[Number, _meta("How far what is read back may be off, in `unit`.", 0.5, minimum=0)] = 0.0


class CopyTable(Table):
    """Registers or bits that are carried as they are."""

    take: Annotated[str, _place("The places in the source.", "holding 0..9")]
    put: Annotated[str, _place("The places in the destination, as many.", "holding 0..9")]


class TransferTable(Table):
    """Values carried together from one controller to another at one period."""

    from_: Annotated[str, _meta("The controller they are taken from.", "skid")] = msgspec.field(name="from")
    to: Annotated[str, _meta("The controller they are put into.", "hall")]
    every: Annotated[str, _duration("The period.", "200 ms")]
    max_age: Annotated[
        str | UnsetType, _duration("A value older than this is not put any more. Without it: five periods.", "1 s")
    ] = UNSET
    on_loss: Annotated[
        Literal["hold", "substitute"],
        _meta("What becomes of the destination's values while the source is lost: they stay, or are substituted."),
    ] = "hold"
    alive: Annotated[str | UnsetType, _place("A counter that the source's own program keeps moving.", "holding 9")] = (
        UNSET
    )
    status: Annotated[
        str | UnsetType,
        _place(
            "First of four holding registers in the destination: heartbeat, quality, age in ms, sequence.", "holding 90"
        ),
    ] = UNSET
    guard: Annotated[
        str | UnsetType,
        _place(
            "A counter that the source moves when it begins and when it ends an update, even while at rest: it is read "
            "before and after the values, which count only when it stood still in between.",
            "holding 8",
        ),
    ] = UNSET
    double_read: Annotated[
        bool | str,
        _meta(
            "Read all values twice, and take them only when both readings are equal. A time says how long after the "
            "first reading the second one begins (longer than one update of the source takes); `true`: half a period.",
            "60 ms",
            True,
        ),
    ] = False
    tries: Annotated[
        int,
        _meta("How often in one period a torn reading is made anew at most.", minimum=1, maximum=bounds.TRIES_MAX),
    ] = 3
    alive_put: Annotated[
        str | UnsetType,
        _place("Where the source's own counter (`alive`) is put in the destination, untouched.", "holding 94"),
    ] = UNSET
    values: Annotated[
        list[ValueTable] | str,
        _meta("The values, or the name of a CSV or XLSX file that lies beside the plan.", "water.csv"),
    ] = []
    copy: Annotated[CopyTable | list[CopyTable], _meta("Registers or bits carried as they are.")] = []
    storage: Annotated[
        Storage | UnsetType, _storage("the places that it writes, its status registers among them, are")
    ] = UNSET


class CommandTable(Table):
    """Something that is done once in the destination, when the source asks for it with a new request number."""

    from_: Annotated[str, _meta("The controller that asks.", "hall")] = msgspec.field(name="from")
    to: Annotated[str, _meta("The controller that is to do it.", "feeder")]
    every: Annotated[str, _duration("How often the request number is looked at.", "200 ms")]
    request: Annotated[
        str,
        _place("The request number in the source: another one than before asks; 0 asks for nothing.", "holding 20"),
    ]
    put: Annotated[str, _place("Where the request number is put in the destination.", "holding 40")]
    acknowledge: Annotated[
        str, _place("The number of the request that the destination has carried out last.", "holding 50")
    ]
    expiry: Annotated[str, _duration("How long a request is good for.", "5 s")]
    values: Annotated[
        list[ValueTable], _meta("Parameters: put before the request number, or in one request with it.")
    ] = []
    result: Annotated[
        str | UnsetType, _place("A register in the destination that tells how it went.", "holding 51")
    ] = UNSET
    answer: Annotated[
        str | UnsetType,
        _place("First of three holding registers in the source: request number, outcome, result.", "holding 30"),
    ] = UNSET


class PlanTable(Table):
    """A plan of Wherry: controllers, and the transfers and commands between them."""

    title: Annotated[str, _meta("What the plan is for.", "Hatchery water exchange")] = ""
    controller: Annotated[dict[str, ControllerTable], _meta("The controllers, by name.")] = {}
    transfer: Annotated[dict[str, TransferTable], _meta("The transfers, by name.")] = {}
    command: Annotated[dict[str, CommandTable], _meta("The commands, by name.")] = {}


TITLES: Final[dict[type[Table], str]] = {
    PlanTable: "plan",
    ControllerTable: "controller",
    LimitsTable: "limits",
    IdentityTable: "identity",
    IdentityRegisterTable: "register",
    ResponseTable: "response",
    SimulateTable: "simulate",
    SignalTable: "signal",
    TransferTable: "transfer",
    ValueTable: "value",
    CopyTable: "copy",
    CommandTable: "command",
}
"""What each table is called when people are told about it."""


def json_schema() -> dict[str, Any]:
    """The JSON Schema of a plan file (draft 2020-12), for editors that complete and check while one writes."""
    _, parts = msgspec.json.schema_components([PlanTable], ref_template="#/$defs/{name}")
    names = {each.__name__: title for each, title in TITLES.items()}
    renamed = {names[name]: _renamed(part, names) for name, part in parts.items()}
    for name, part in renamed.items():
        part["title"] = name
        if not part["required"]:
            del part["required"]
    plan = renamed.pop("plan")
    plan.pop("title")
    return {"$schema": DIALECT, "title": "Wherry plan", **plan, "$defs": dict(sorted(renamed.items()))}


def _renamed(part: Any, names: dict[str, str]) -> Any:
    """The same with references to the names people know."""
    if isinstance(part, dict):
        return {
            key: f"#/$defs/{names[value.rpartition('/')[2]]}" if key == "$ref" else _renamed(value, names)
            for key, value in part.items()
        }
    return [_renamed(each, names) for each in part] if isinstance(part, list) else part


__all__ = ["TITLES", "UNSET", "PlanTable", "json_schema"]
