"""From the tables of a plan file to the resolved plan: texts understood, defaults written out, names followed.

What is broken is left out as far as needed and named in a finding, so that the rest can still be judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from msgspec import UNSET

from wherry import limits as bounds
from wherry.findings import Finding, Path, Related
from wherry.plan.connect import parse_connect
from wherry.plan.durations import parse_life
from wherry.plan.model import (
    ENDURANCE_WRITES,
    LIFE_NS,
    BitWrites,
    Connection,
    Controller,
    Limits,
    OnLoss,
    Plan,
    ResponseTime,
    Signal,
    Simulation,
    Span,
    Storage,
    Table,
    Transfer,
    Value,
    WhenSilent,
)
from wherry.plan.places import parse_point, parse_span, parse_status
from wherry.plan.profile import Profile
from wherry.plan.reader import Reader, read_duration
from wherry.plan.resolve_careful import resolve_alive_put, resolve_careful
from wherry.plan.resolve_commands import resolve_commands
from wherry.plan.resolve_identity import resolve_identity
from wherry.plan.resolve_profile import with_profile
from wherry.plan.resolve_values import resolve_copies, resolve_row
from wherry.plan.schema import (
    ControllerTable,
    CopyTable,
    LimitsTable,
    PlanTable,
    ResponseTable,
    SignalTable,
    SimulateTable,
    TransferTable,
    ValueTable,
)
from wherry.plan.wording import listed, nearest, printable, shown
from wherry.protocol.tolerance import Tolerance
from wherry.values.types import Kind

MAX_AGE_PERIODS: Final = 5
"""The default of ``max_age``: a few periods is common practice, no source."""

NAME_CHARACTERS_MAX: Final = 60  # a bound of ours: names stand in tables and sentences


def resolve(
    table: PlanTable, data: Mapping[str, Any], file: str, profiles: Mapping[str, Profile] | None = None
) -> tuple[Plan, list[Finding]]:
    """The plan, and what is wrong with it. ``data`` is the file as read, to tell what was written from defaults;
    ``profiles`` are the device profiles that could be read, by the name of their controller."""
    reader = Reader()
    controllers = _controllers(reader, table, data)
    for name, profile in (profiles or {}).items():
        if (controller := controllers.get(name)) is not None:
            file_name = str(table.controller[name].profile)
            controllers[name] = with_profile(controller, profile, file_name, data["controller"][name])
    transfers = _transfers(reader, table, data, controllers)
    commands = resolve_commands(
        reader,
        table,
        lambda name, path: _named_controller(reader, name, controllers, path),
        lambda name, path: _check_name(reader, name, path),
    )
    usable = tuple(each for each in controllers.values() if each is not None)
    return Plan(printable(table.title), usable, tuple(transfers), file, commands), reader.findings


# Controllers.


def _controllers(reader: Reader, plan: PlanTable, data: Mapping[str, Any]) -> dict[str, Controller | None]:
    """Every declared controller by name; None where it cannot be used."""
    result: dict[str, Controller | None] = {}
    tables: Mapping[str, ControllerTable | None] = plan.controller
    for name, table in tables.items():
        path: Path = ("controller", name)
        _check_name(reader, name, path)
        result[name] = None if table is None else _controller(reader, name, table, path, data)
    if not tables and "controller" not in data:
        reader.add(
            "missing-key",
            "the plan has no controllers",
            (),
            expected="at least two tables `[controller.NAME]`",
            fix='add `[controller.skid]` with `connect = "tcp://10.20.0.11"`, and the others',
        )
    return result


def _check_name(reader: Reader, name: str, path: Path) -> None:
    if not name.strip() or not name.isprintable() or len(name) > NAME_CHARACTERS_MAX or path == ("controller", "all"):
        what = "`all` is no name: it stands for every controller" if name == "all" else f"{shown(name)} is no name"
        reader.add(
            "bad-value",
            what,
            path,
            expected=f"a name of 1 to {NAME_CHARACTERS_MAX} printable characters",
            found=shown(name),
            fix="choose a short word that the plant's people use",
            on_key=True,
        )


def _controller(
    reader: Reader, name: str, table: ControllerTable, path: Path, data: Mapping[str, Any]
) -> Controller | None:
    where = reader.read(parse_connect, table.connect, (*path, "connect"))
    unit = reader.whole(table.unit, 0, bounds.UNIT_MAX, (*path, "unit"), "a unit id")
    limits = _limits(reader, table.limits, (*path, "limits"))
    response = _response(reader, table.response, (*path, "response"), "response" in data["controller"][name])
    readable = _spans(reader, table.readable, (*path, "readable"))
    simulation = _simulation(reader, table.simulate, (*path, "simulate"))
    owned = _owned(reader, table.owned, (*path, "owned"))
    identity = None if table.identity is UNSET else resolve_identity(reader, table.identity, (*path, "identity"))
    lease_ns = None if table.lease is UNSET else read_duration(reader, table.lease, (*path, "lease"))
    when_silent = None if table.when_silent is UNSET else WhenSilent(table.when_silent)
    endurance = reader.whole(table.endurance, 1, bounds.ENDURANCE_MAX, (*path, "endurance"), "a number of writes")
    life_ns = reader.read(parse_life, table.life, (*path, "life"))
    baud = None
    if table.baud is not UNSET:
        baud = reader.whole(table.baud, bounds.BAUD_MIN, bounds.BAUD_MAX, (*path, "baud"), "bits a second")
    update_ns = None if table.update is UNSET else read_duration(reader, table.update, (*path, "update"))
    scan_ns = None if table.scan is UNSET else read_duration(reader, table.scan, (*path, "scan"))
    if where is None or unit is None:
        return None
    framing, host, port = where
    return Controller(
        name,
        host,
        port,
        framing,
        unit,
        limits,
        response,
        readable,
        table.write_single,
        simulation,
        path,
        lease_ns=lease_ns,
        when_silent=when_silent,
        bit_writes=BitWrites(table.bit_writes),
        owned=owned,
        identity=identity,
        storage=Storage.UNKNOWN if table.storage is UNSET else Storage(table.storage),
        endurance=ENDURANCE_WRITES if endurance is None else endurance,
        life_ns=LIFE_NS if life_ns is None else life_ns,
        tolerate=_tolerances(table.tolerate),
        baud=baud,
        update_ns=update_ns,
        scan_ns=scan_ns,
    )


def _spans(reader: Reader, texts: Sequence[str | None], path: Path) -> tuple[Span, ...]:
    found = [reader.read(parse_span, text, (*path, index)) for index, text in enumerate(texts) if text is not None]
    return tuple(span for span in found if span is not None)


def _tolerances(words: Sequence[str | None]) -> tuple[Tolerance, ...]:
    """Those that are known; the others have been found already."""
    return tuple(dict.fromkeys(Tolerance(word) for word in words if word is not None))


def _owned(reader: Reader, texts: Sequence[str | None], path: Path) -> tuple[Span, ...]:
    for index, text in enumerate(texts):
        span = None if text is None else reader.read(parse_span, text, (*path, index))
        if span is not None and span.table is not Table.HOLDING:
            reader.add(
                "bad-value",
                f"`owned` names registers that are written, and `{text}` is none",
                (*path, index),
                expected="holding registers, such as `holding 5`",
                found=str(span),
                fix="name the holding registers whose bits this plan sets",
            )
    quiet = Reader()
    return tuple(span for span in _spans(quiet, texts, path) if span.table is Table.HOLDING)


def _limits(reader: Reader, table: LimitsTable, path: Path) -> Limits:
    """The limits; what is out of bounds has its default."""
    default = Limits()

    def whole(key: str, value: int, high: int, what: str, otherwise: int) -> int:
        found = reader.whole(value, 1, high, (*path, key), what)
        return otherwise if found is None else found

    def duration(key: str, text: str, otherwise: int, *, may_be_zero: bool = False) -> int:
        found = read_duration(reader, text, (*path, key), low=0 if may_be_zero else 1)
        return otherwise if found is None else found

    rate = None if table.rate is UNSET else table.rate
    if rate is not None and (not reader.finite(rate, (*path, "rate")) or rate <= 0):
        if rate <= 0:
            reader.add(
                "bad-value",
                f"`rate` cannot be {rate:g}",
                (*path, "rate"),
                expected="more than 0 requests a second",
                found=f"{rate:g}",
                fix="write how many requests a second the device stands",
            )
        rate = None
    reconnect_ns = duration("reconnect", table.reconnect, default.reconnect_ns)
    connects = gateway_timeout_ns = None
    if table.connects is not UNSET:
        most = bounds.CONNECTS_PER_HOUR_MAX
        connects = reader.whole(table.connects, 1, most, (*path, "connects"), "connections in an hour")
    if table.gateway_timeout is not UNSET:
        gateway_timeout_ns = read_duration(reader, table.gateway_timeout, (*path, "gateway_timeout"))
    return Limits(
        whole("read", table.read, bounds.READ_REGISTERS_MAX, "registers in one read", default.read_registers),
        whole("write", table.write, bounds.WRITE_REGISTERS_MAX, "registers in one write", default.write_registers),
        whole("read_bits", table.read_bits, bounds.READ_BITS_MAX, "bits in one read", default.read_bits),
        whole("write_bits", table.write_bits, bounds.WRITE_BITS_MAX, "bits in one write", default.write_bits),
        whole("in_flight", table.in_flight, bounds.IN_FLIGHT_MAX, "requests in flight", default.in_flight),
        whole("connections", table.connections, bounds.CONNECTIONS_MAX, "connections", default.connections),
        duration("gap", table.gap, default.gap_ns, may_be_zero=True),
        rate,
        duration("timeout", table.timeout, default.timeout_ns),
        reconnect_ns,
        max(reconnect_ns, default.reconnect_ns_max),
        connects,
        None if table.idle is UNSET else read_duration(reader, table.idle, (*path, "idle")),
        Connection(table.connection),
        gateway_timeout_ns,
    )


def _response(reader: Reader, table: ResponseTable, path: Path, is_declared: bool) -> ResponseTime:
    default = ResponseTime()
    fixed = read_duration(reader, table.fixed, (*path, "fixed"), low=0)
    per_register = read_duration(reader, table.per_register, (*path, "per_register"), low=0)
    return ResponseTime(
        default.fixed_ns if fixed is None else fixed,
        default.per_register_ns if per_register is None else per_register,
        is_declared,
    )


def _simulation(reader: Reader, table: SimulateTable, path: Path) -> Simulation:
    tables: Sequence[SignalTable | None] = table.signals
    signals = [
        _signal(reader, each, (*path, "signals", index)) for index, each in enumerate(tables) if each is not None
    ]
    holes = _spans(reader, table.holes, (*path, "holes"))
    return Simulation(tuple(each for each in signals if each is not None), holes, path)


def _signal(reader: Reader, table: SignalTable, path: Path) -> Signal | None:
    at = reader.read(lambda text: parse_point(text, (*path, "at")), table.at, (*path, "at"))
    period_ns = read_duration(reader, table.period, (*path, "period"))
    is_finite = reader.finite(table.low, (*path, "low")) and reader.finite(table.high, (*path, "high"))
    # A constant stays at `low` and a counter begins there: neither has a use for `high`, least of all for its default.
    if is_finite and table.low > table.high and table.shape not in ("constant", "counter"):
        reader.add(
            "bad-value",
            "`low` is greater than `high`",
            (*path, "low"),
            expected=f"at most {table.high:g}",
            found=f"{table.low:g}",
            fix="exchange the two",
        )
        is_finite = False
    if at is not None and at.type.kind in (Kind.RAW, Kind.STRING):
        reader.add(
            "bad-value",
            f"a `{at.type}` cannot move",
            (*path, "at"),
            expected="a number or a single bit",
            found=at.text,
            fix="name a place with a number type, such as `holding 0 float32`",
        )
        at = None
    if at is None or period_ns is None or not is_finite:
        return None
    return Signal(at, table.shape, table.low, table.high, period_ns, path)


# Transfers.


def _transfers(
    reader: Reader, plan: PlanTable, data: Mapping[str, Any], controllers: Mapping[str, Controller | None]
) -> list[Transfer]:
    result = []
    tables: Mapping[str, TransferTable | None] = plan.transfer
    for name, table in tables.items():
        path: Path = ("transfer", name)
        _check_name(reader, name, path)
        if table is not None:
            transfer = _transfer(reader, name, table, data["transfer"][name], controllers)
            if transfer is not None:
                result.append(transfer)
    if not tables and "transfer" not in data and "command" not in data:
        reader.add(
            "missing-key",
            "the plan has no transfers",
            (),
            expected="at least one table `[transfer.NAME]`",
            fix="add `[transfer.water]` with `from`, `to`, `every` and `values`",
        )
    return result


def _transfer(
    reader: Reader,
    name: str,
    table: TransferTable,
    written: Mapping[str, Any],
    controllers: Mapping[str, Controller | None],
) -> Transfer | None:
    path: Path = ("transfer", name)
    source = _named_controller(reader, table.from_, controllers, (*path, "from"))
    destination = _named_controller(reader, table.to, controllers, (*path, "to"))
    period_ns = read_duration(
        reader, table.every, (*path, "every"), low=bounds.PERIOD_NS_MIN, high=bounds.PERIOD_NS_MAX
    )
    max_age_ns = None
    if table.max_age is not UNSET:
        max_age_ns = read_duration(reader, table.max_age, (*path, "max_age"))
    alive = None
    if table.alive is not UNSET:
        alive = reader.read(lambda text: parse_point(text, (*path, "alive")), table.alive, (*path, "alive"))
    status = None if table.status is UNSET else reader.read(parse_status, table.status, (*path, "status"))
    values = _values(reader, table, written, path, source, destination)
    careful = resolve_careful(reader, table, period_ns, path)
    passed_on = resolve_alive_put(reader, table, alive, path)
    if passed_on is not None:
        values.append(passed_on)
    if source is None or destination is None or period_ns is None:
        return None
    storage = destination.storage if table.storage is UNSET else Storage(table.storage)
    return Transfer(
        name,
        source.name,
        destination.name,
        period_ns,
        MAX_AGE_PERIODS * period_ns if max_age_ns is None else max_age_ns,
        tuple(replace(each, storage=storage) if each.storage is Storage.UNKNOWN else each for each in values),
        OnLoss(table.on_loss),
        "on_loss" in written,
        alive,
        status,
        path,
        careful,
        storage,
    )


def _named_controller(
    reader: Reader, name: str, controllers: Mapping[str, Controller | None], path: Path
) -> Controller | None:
    if name in controllers:
        return controllers[name]
    near = nearest(name, controllers)
    known = [f"`{printable(each)}`" for each in list(controllers)[:12]]
    if near:
        fix = f'write "{near}"'
    elif known:
        fix = "write the name of a controller of this plan, or declare this one"
    else:
        fix = f"declare it: `[controller.{printable(name)[:60]}]` with `connect`"
    reader.add(
        "unknown-controller",
        f"there is no controller `{printable(name)[:60]}`",
        path,
        expected=listed(known) or "the name of a declared controller",
        found=shown(name),
        fix=fix,
    )
    return None


def _values(
    reader: Reader,
    table: TransferTable,
    written: Mapping[str, Any],
    path: Path,
    source: Controller | None,
    destination: Controller | None,
) -> list[Value]:
    """Values and copies of one transfer, in the order of the file: values first."""
    values: list[Value] = []
    first_of: dict[str, Path] = {}
    rows: Sequence[ValueTable | None] = () if isinstance(table.values, str) else table.values
    for index, row in enumerate(rows):
        value = None if row is None else resolve_row(reader, row, (*path, "values", index))
        if value is None:
            continue
        first = first_of.setdefault(value.name, value.path)
        if first is not value.path:
            reader.add(
                "duplicate-name",
                f"two values of the transfer are called `{value.name}`",
                (*value.path, "name"),
                expected="a name of its own",
                found=shown(value.name),
                fix="name one of them otherwise",
                related=(Related("the first one", (*first, "name")),),
            )
            continue
        values.append(value)
    copies = _copies(table, path)
    if source is not None and destination is not None:
        values.extend(resolve_copies(reader, copies, source, destination, set(first_of)))
    if all(written.get(key, []) == [] for key in ("values", "copy")):
        reader.add(
            "missing-key",
            f"transfer `{path[-1]}` carries nothing",
            path,
            expected="`values`, `copy` or both",
            fix='add `values = [{ name = "...", take = "holding 0", put = "holding 100" }]`',
        )
    return values


def _copies(table: TransferTable, path: Path) -> list[tuple[CopyTable, Path]]:
    if isinstance(table.copy, CopyTable):
        return [(table.copy, (*path, "copy"))]
    copies: Sequence[CopyTable | None] = table.copy
    return [(each, (*path, "copy", index)) for index, each in enumerate(copies) if each is not None]
