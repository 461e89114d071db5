"""Plans made by chance: judging never breaks, every finding has a place, and what is found sound can be carried."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.checks.check import check
from wherry.checks.defaults import defaults
from wherry.checks.intervals import possible
from wherry.checks.load import loads as loads_of
from wherry.checks.registry import find_rule
from wherry.checks.requests import request_rows
from wherry.checks.rule import Judged
from wherry.engine.building import conversion_of
from wherry.findings import Level
from wherry.plan import loads
from wherry.plan.model import Value
from wherry.values.codec import DoesNotFitError

HEAD = """\
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.hall]
connect = "tcp://10.20.0.12"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
"""

TYPES = ["", " int16", " uint16", " int32", " uint32 CDAB", " float32", " float64", " bcd16", " bcd32", " string(4)"]
TABLES = ["holding", "holding", "input", "coil", "discrete"]


def places(tables: list[str], kinds: list[str]) -> st.SearchStrategy[str]:
    registers = st.builds("{} {}{}".format, st.sampled_from(tables), st.integers(0, 30), st.sampled_from(kinds))
    others = st.builds("{} {}{}".format, st.sampled_from(tables), st.integers(0, 30), st.sampled_from([".3", ".15"]))
    return st.one_of(
        registers, registers, others, st.builds("{} 0..{}".format, st.sampled_from(tables), st.integers(1, 9))
    )


NUMBER = st.sampled_from([-40000, -1, 0, 1, 10, 100, 4000, 65535, 70000, 0.5])
FOUR = st.tuples(NUMBER, NUMBER, NUMBER, NUMBER).map(list)
EXTRAS: dict[str, st.SearchStrategy[object]] = {
    "scale": FOUR,
    "take_scale": FOUR,
    "range": st.tuples(NUMBER, NUMBER).map(sorted),
    "unit": st.sampled_from(["degC", "bar", "mg/L", "NTU"]),
    "put_unit": st.sampled_from(["degF", "Pa", "kg/m^3", "dBm", "%"]),
    "clamp": st.booleans(),
    "rounding": st.sampled_from(["half even", "half away", "toward zero"]),
    "substitute": st.sampled_from([0, -1, 70000, True, "none"]),
    "group": st.sampled_from(["g", "h"]),
    "not_available": st.sampled_from([["0x8000"], [-1], [1 << 40]]),
}


def toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else str(value)


@st.composite
def values(draw: st.DrawFn) -> str:
    rows = []
    for index in range(draw(st.integers(0, 5))):
        keys = draw(st.lists(st.sampled_from(sorted(EXTRAS)), max_size=4, unique=True))
        pairs = {"name": f"value {index}", "take": draw(places(TABLES, TYPES)), "put": draw(places(TABLES, TYPES))}
        extras = {key: draw(EXTRAS[key]) for key in keys}
        rows.append("  { " + ", ".join(f"{key} = {toml(value)}" for key, value in {**pairs, **extras}.items()) + " },")
    return "values = [\n" + "\n".join(rows) + "\n]\n"


HOST = st.sampled_from(["tcp://10.20.0.11", "tcp://10.20.0.12", "rtu+tcp://10.20.0.13:4001", "tcp://192.88.99.1"])


@st.composite
def plans(draw: st.DrawFn) -> str:
    parts = []
    for name in ("skid", "hall"):
        parts.append(f'[controller.{name}]\nconnect = "{draw(HOST)}"\nunit = {draw(st.sampled_from([0, 1, 2, 255]))}\n')
        parts.append(f"limits = {{ read = {draw(st.integers(1, 9))}, write = {draw(st.integers(1, 9))} }}\n")
    for name in ("water", "air"):
        source, destination = draw(st.sampled_from(["skid", "hall"])), draw(st.sampled_from(["skid", "hall"]))
        parts.append(f'[transfer.{name}]\nfrom = "{source}"\nto = "{destination}"\n')
        parts.append(f'every = "{draw(st.sampled_from([2, 50, 200]))} ms"\n')
        if draw(st.booleans()):
            parts.append(f'status = "holding {draw(st.integers(0, 40))}"\n')
        if draw(st.booleans()):
            parts.append(f'alive = "{draw(places(TABLES, TYPES))}"\n')
        parts.append(f'on_loss = "{draw(st.sampled_from(["hold", "substitute"]))}"\n')
        parts.append(draw(values()))
    return "".join(parts)


def ends_fit(value: Value) -> bool:
    """Whether both ends of what a value can be are put, as the engine puts them."""
    can_be = possible(value)
    assert can_be is not None
    conversion = conversion_of(value)
    try:
        for end in can_be:
            conversion.put(float(end))
    except (DoesNotFitError, OverflowError):
        return False
    return True


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(plans())
def test_judging_never_breaks(text: str) -> None:
    loaded = loads(text)
    for finding in check(loaded):
        assert finding.span is not None
        assert find_rule(finding.name) is not None, f"{finding.name} has no page"
        assert all(each.span is not None for each in finding.related)
    request_rows(Judged.of(loaded))
    list(defaults(Judged.of(loaded)))


@st.composite
def sensible_plans(draw: st.DrawFn) -> str:
    """Values of one kind on both sides, put one behind the other with gaps; most of these plans are sound."""
    rows = []
    at = 0
    kinds = st.sampled_from([" int16", " uint32 CDAB", " float32", " float64", ".3", "..{last}", " string(4)"])
    for index in range(draw(st.integers(1, 12))):
        kind = draw(kinds)
        at += draw(st.sampled_from([0, 0, 0, 1, 5]))
        take = draw(st.integers(0, 40))
        group = draw(st.sampled_from(["", "", "", ', group = "g"', ', group = "h"']))
        ends = [f"{start}{kind.format(last=start + 2)}" for start in (take, at)]
        table = draw(st.sampled_from(["holding", "input"]))
        rows.append(f'  {{ name = "value {index}", take = "{table} {ends[0]}", put = "holding {ends[1]}"{group} }},\n')
        at += 4
    limits = [f"limits = {{ read = {draw(st.integers(3, 40))}, write = {draw(st.integers(3, 40))} }}\n" for _ in "ab"]
    text = HEAD.replace("[controller.hall]", f'{limits[0]}readable = ["holding 0..60"]\n[controller.hall]')
    text = text.replace("[transfer.water]", f"{limits[1]}[transfer.water]").replace("200 ms", "10 s")
    return text + 'status = "holding 90"\nvalues = [\n' + "".join(rows) + "]\n"


@pytest.mark.slow
@settings(max_examples=80, deadline=None)
@given(sensible_plans())
def test_what_is_sound_can_be_carried(text: str) -> None:
    loaded = loads(text)
    if any(finding.level is Level.ERROR for finding in check(loaded)):
        return
    judged = Judged.of(loaded)
    for row in request_rows(judged):
        limits = judged.controllers[row.controller].limits
        most = limits.write_count_max if row.is_write else limits.read_count_max
        assert row.function is not None
        assert row.span.count <= most(row.span.table)
    (transfer,) = loaded.plan.transfers
    for value in transfer.values:
        conversion_of(value)
    (sweep,) = judged.sweeps
    for group in {value.group for value in transfer.values} - {""}:
        members = {index for index, value in enumerate(transfer.values) if value.group == group}
        for requests in (sweep.reads, sweep.transfers[0].writes):
            held = [{cut.value for cut in request.cuts} for request in requests]
            assert any(members <= values for values in held), f"{group} is torn"


@st.composite
def number_values(draw: st.DrawFn) -> str:
    numbers = TYPES[1:-1]
    pairs = [f'name = "a", take = "holding 0{draw(st.sampled_from(numbers))}"']
    pairs.append(f'put = "holding 0{draw(st.sampled_from(numbers))}"')
    ends = st.lists(NUMBER, min_size=2, max_size=2, unique=True)
    pairs.append(f"range = {sorted(draw(ends))}")
    pairs += [f"{key} = {draw(ends) + draw(ends)}" for key in ("scale", "take_scale") if draw(st.booleans())]
    if draw(st.booleans()):
        pairs.append('unit = "degC", put_unit = "degF"')
    return "values = [\n  { " + ", ".join(pairs) + " },\n]\n"


@settings(max_examples=300, deadline=None)
@given(number_values())
def test_range_loss_is_what_the_engine_would_meet(text: str) -> None:
    loaded = loads(HEAD + text)
    names = {finding.name for finding in check(loaded)}
    ((value,),) = (each.values for each in loaded.plan.transfers)
    if "range-never-met" not in names:
        assert ("range-loss" in names) == (not ends_fit(value))


def test_what_is_read_back_is_shown_and_counted() -> None:
    """Two neighbours share a read, and what lies apart has one of its own; each is asked once in a period."""
    rows = [f'{{ name = "{n}", take = "holding {n}", put = "holding {100 + n}"%s }}' for n in (0, 1, 7)]
    plain, verified = (
        Judged.of(loads(f"{HEAD}values = [{', '.join(row % more for row in rows)}]"))
        for more in ("", ', verify = "2 s"')
    )
    known = request_rows(plain)
    added = [row for row in request_rows(verified) if row not in known]
    assert [(row.controller, row.is_write, row.function, str(row.span)) for row in added] == [
        ("hall", False, 3, "holding 100..101"),
        ("hall", False, 3, "holding 107"),
    ]
    assert added[0].carries == (("water", "0"), ("water", "1"))
    counts = [
        next(each.requests_per_s for each in loads_of(each.sweeps, each.controllers) if each.controller.name == "hall")
        for each in (plain, verified)
    ]
    assert counts[1] - counts[0] == pytest.approx(2 * 5)
