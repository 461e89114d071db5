"""From the file to the plan: encodings, line ends, and files that are none."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.errors import PlanError
from wherry.findings import Path as PlanPath
from wherry.limits import PLAN_BYTES_MAX
from wherry.plan import Loaded, load, loads
from wherry.plan.model import Limits, OnLoss, Plan, ResponseTime, Rounding, Scale, Span, Table
from wherry.values.types import INT16, raw

VALUE = '{ name = "tänk 1", take = "holding 0 float32 CDAB", put = "holding 100 int16", scale = [0, 20, 0, 2000] },'
BROKEN = '{ name = "tänk 2", take = "holding 2 floot32", put = "holding 101" },'


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_marks_and_line_ends_change_nothing(
    mark: bytes, end: str, tmp_path: Path, with_values: Callable[..., str]
) -> None:
    path = tmp_path / "plän.toml"
    path.write_bytes(mark + with_values(f"{VALUE}\n{BROKEN}").replace("\n", end).encode("utf-8"))
    loaded = load(path)
    (finding,) = loaded.findings
    assert finding.span is not None
    assert (finding.span.file, finding.span.line, finding.span.column, finding.span.column_end) == (
        str(path),
        13,
        38,
        45,
    )
    assert loaded.document.line(finding.span) == BROKEN
    assert [each.name for each in loaded.plan.transfers[0].values] == ["tänk 1"]
    assert loaded.plan.file == str(path)
    assert load(str(path)).plan == loaded.plan


def test_the_first_line_has_no_mark_in_it(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbftitel = 'x'\n")
    finding = load(tmp_path / "plan.toml").findings[-1]
    assert finding.name == "unknown-key"
    assert finding.span is not None
    assert (finding.span.line, finding.span.column) == (1, 1)


def test_a_file_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"plan\.toml does not exist; give the path of a file that does"):
        load(tmp_path / "plan.toml")
    (tmp_path / "file").write_text("")
    with pytest.raises(PlanError, match="part of the path is a file"):
        load(tmp_path / "file" / "plan.toml")
    with pytest.raises(PlanError, match="is a folder, not a file"):
        load(tmp_path)
    with pytest.raises(PlanError, match="cannot be read"):
        load("pl\0an.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        load("x" * 5000)


def test_a_file_that_is_not_utf8_is_a_sentence_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes("title = 'x'\n# tänk\n".encode("latin-1"))
    with pytest.raises(PlanError, match=r"plan\.toml:2: the plan is not UTF-8 text \(byte 0xe4\); save it as UTF-8"):
        load(tmp_path / "plan.toml")


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / "plan.toml").open("wb") as opened:
        opened.truncate(PLAN_BYTES_MAX + 1)  # sparse: takes no room
    with pytest.raises(PlanError, match="is too large: 64 MiB, and at most 64 MiB are read"):
        load(tmp_path / "plan.toml")


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX") or not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "plan.toml")
    with pytest.raises(PlanError, match="is not a plain file"):
        load(tmp_path / "plan.toml")


# What a plan becomes.


@pytest.fixture
def plan(read: Callable[[str], Loaded], with_values: Callable[..., str]) -> Callable[..., Plan]:
    def build(values: str = "", **more: str) -> Plan:
        return read(with_values(values, **more)).plan

    return build


def test_every_default_is_written_out(plan: Callable[..., Plan]) -> None:
    resolved = plan(VALUE)
    skid, hall = resolved.controllers
    assert (skid.name, hall.name) == ("skid", "hall")
    assert (skid.host, skid.port, skid.unit, str(skid.framing)) == ("10.20.0.11", 502, 1, "mbap")
    assert (skid.limits, skid.response, skid.readable, skid.write_single) == (Limits(), ResponseTime(), (), False)
    (transfer,) = resolved.transfers
    assert (transfer.source, transfer.destination, transfer.period_ns) == ("skid", "hall", 200_000_000)
    assert (transfer.max_age_ns, transfer.on_loss, transfer.on_loss_is_declared) == (10**9, OnLoss.HOLD, False)
    assert (transfer.alive, transfer.status) == (None, None)
    (value,) = transfer.values
    assert (value.scale, value.put.type, value.rounding) == (Scale(0, 20, 0, 2000), INT16, Rounding.EVEN)
    assert (value.clamp, value.substitute, value.group, value.unit, value.put_unit) == (False, None, "", "", "")
    assert (value.jump, value.counter, value.modulus, value.is_watched) == (None, None, None, False)
    assert resolved.controller("hall") is hall


def test_what_is_written_counts(plan: Callable[..., Plan]) -> None:
    head = """\
[controller.skid]
connect = "rtu+tcp://skid:4001"
unit = 7
limits.read = 10
limits.write = 11
limits.read_bits = 12
limits.write_bits = 13
limits.in_flight = 2
limits.connections = 3
limits.gap = "5 ms"
limits.rate = 20
limits.timeout = "2 s"
limits.reconnect = "1 min"
response = { fixed = "1 ms", per_register = "2 us" }
readable = ["holding 0..199", "40301..40310"]
write_single = true
[controller.skid.simulate]
holes = ["holding 50..59"]
[[controller.skid.simulate.signals]]
at = "holding 0 float32"
shape = "sine"
low = 1
high = 2.5
period = "3 s"
[controller.hall]
connect = "tcp://[::1]:1502"
"""
    resolved = plan(VALUE, controllers=head, transfer='on_loss = "hold"\nalive = "holding 9"\nstatus = "holding 90"\n')
    skid, hall = resolved.controllers
    assert (skid.host, skid.port, skid.unit, str(skid.framing), skid.write_single) == ("skid", 4001, 7, "rtu", True)
    assert skid.limits == Limits(10, 11, 12, 13, 2, 3, 5_000_000, 20, 2 * 10**9, 60 * 10**9, 60 * 10**9)
    assert skid.response == ResponseTime(1_000_000, 2_000, True)
    assert skid.readable == (Span(Table.HOLDING, 0, 200), Span(Table.HOLDING, 300, 10))
    (signal,) = skid.simulation.signals
    assert (str(signal.at), signal.shape, signal.low, signal.high, signal.period_ns) == (
        "holding 0 float32", "sine", 1, 2.5, 3 * 10**9,
    )  # fmt: skip
    assert skid.simulation.holes == (Span(Table.HOLDING, 50, 10),)
    assert (hall.host, hall.port) == ("::1", 1502)
    (transfer,) = resolved.transfers
    assert (str(transfer.alive), transfer.status) == ("holding 9 uint16", Span(Table.HOLDING, 90, 4))
    assert transfer.on_loss_is_declared


@pytest.mark.parametrize(
    ("copy", "spans"),
    [
        ('{ take = "holding 0..9", put = "holding 5..14" }', [("copy", 0, 5, 10)]),
        ('{ take = "holding 7", put = "holding 8" }', [("copy", 7, 8, 1)]),
        ('{ take = "40001..40010", put = "holding 0..9" }', [("copy", 0, 0, 10)]),
        (
            '[{ take = "holding 0..1", put = "holding 5..6" }, { take = "holding 8", put = "holding 9" }]',
            [("copy", 0, 5, 2), ("copy 2", 8, 9, 1)],
        ),
        # the standard's 123 registers in one write
        (
            '{ take = "holding 0..299", put = "holding 400..699" }',
            [("copy", 0, 400, 123), ("copy 2", 123, 523, 123), ("copy 3", 246, 646, 54)],
        ),
    ],
)
def test_copies_are_raw_values_that_fit_into_one_request(
    copy: str, spans: list[tuple[str, int, int, int]], plan: Callable[..., Plan]
) -> None:
    values = plan(transfer=f"copy = {copy}\n").transfers[0].values
    assert [(each.name, each.take.address, each.put.address, each.take.count) for each in values] == spans
    assert all(each.is_copy and each.take.type == each.put.type == raw(each.take.count) for each in values)


def test_a_copy_does_not_take_the_name_of_a_value(plan: Callable[..., Plan]) -> None:
    named = '{ name = "copy", take = "holding 50", put = "holding 60" },'
    values = plan(named, transfer='copy = { take = "coil 0..7", put = "coil 0..7" }\n').transfers[0].values
    assert [each.name for each in values] == ["copy", "copy 2"]
    assert values[1].take.type == raw(8)


def test_every_part_of_the_plan_leads_back_to_its_text(
    read: Callable[[str], Loaded], with_values: Callable[..., str]
) -> None:
    copies = 'copy = [{ take = "holding 200..201", put = "holding 300..301" }]\nalive = "holding 9"\n'
    loaded = read(with_values(VALUE, transfer=copies))

    def text_at(path: PlanPath) -> str:
        span = loaded.document.span(path)
        return loaded.document.line(span)[span.column - 1 : span.column_end - 1]

    (transfer,) = loaded.plan.transfers
    value, copy = transfer.values
    assert text_at(value.take.path) == f'"{value.take.text}"'
    assert text_at(value.put.path) == f'"{value.put.text}"'
    assert text_at((*value.path, "scale")) == "[0, 20, 0, 2000]"
    assert text_at(copy.take.path) == '"holding 200..201"'
    assert transfer.alive is not None
    assert text_at(transfer.alive.path) == '"holding 9"'
    assert text_at(transfer.path) == "water"
    assert text_at(loaded.plan.controllers[1].path) == "hall"


def test_a_command_and_a_transfer_need_names_of_their_own() -> None:
    text = """
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.feeder]
connect = "tcp://10.20.0.14"
[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
values = [{ name = "rate", take = "holding 0", put = "holding 100" }]
[command.feed]
from = "skid"
to = "feeder"
every = "1 s"
request = "holding 20"
put = "holding 40"
acknowledge = "holding 50"
expiry = "5 s"
"""
    (finding,) = loads(text).findings
    assert (finding.name, finding.message) == ("duplicate-name", 'a command and a transfer are both called "feed"')
    assert finding.span is not None
    assert finding.span.line == 11
