"""``wherry simulate`` as a user meets it: the real program, on loopback."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from wherry.cli.simulate import is_loopback, places
from wherry.errors import LocalError
from wherry.plan.model import Controller, Plan

PATIENCE_S = 60
"""Only a fault makes it take that long."""

PROGRAM = [sys.executable, "-c", "from wherry.cli.main import main; main()"]

PLAN = """\
title = "Hatchery oxygen"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [{{ at = "holding 9", shape = "constant", low = 1234 }}]

[controller.hall]
connect = "tcp://127.0.0.1:{port}"
unit = 2

[transfer.oxygen]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [{{ name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 100 float32", range = [0, 20] }}]
"""


@pytest.fixture
def port() -> int:
    """A free port with a free one behind it."""
    for _ in range(100):
        with socket.socket() as first, socket.socket() as second:
            first.bind(("127.0.0.1", 0))
            number = int(first.getsockname()[1])
            try:
                second.bind(("127.0.0.1", number + 1))
            except OSError:
                continue
            return number
    raise AssertionError("no two free ports in a row")


@pytest.fixture
def plan_file(tmp_path: Path, port: int) -> Path:
    path = tmp_path / "oxygen.toml"
    path.write_text(PLAN.format(port=port), encoding="utf-8")
    return path


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [*PROGRAM, "simulate", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


@contextmanager
def running(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    """The program, from the moment at which it says that it serves."""
    command = [*PROGRAM, "simulate", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            said = process.stderr if "--json" in arguments else process.stdout
            for line in said:
                if line.startswith(("Ctrl-C ends it", "hall is served")):
                    break
            yield process
        finally:
            process.kill()


@pytest.mark.slow
def test_it_says_what_it_serves_and_what_was_asked(plan_file: Path, port: int) -> None:
    done = run(str(plan_file), "--port-base", str(port), "--for", "50 ms")
    assert done.stderr == ""
    assert done.returncode == 0
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    assert lines == [
        "Hatchery oxygen: 2 simulated controllers, no hardware.",
        "",
        "controller  served at        unit  what moves",
        f"skid        127.0.0.1:{port}     1  holding 0 float32 CDAB: sine 2 to 18 in 7 s",
        "                                   holding 9 uint16: constant 1234",
        f"hall        127.0.0.1:{port + 1}     2  nothing: nothing is taken from it",
        "",
        "Served elsewhere than the plan says. To reach them, write in a copy of the plan:",
        f'  [controller.skid]  connect = "tcp://127.0.0.1:{port}"',
        f'  [controller.hall]  connect = "tcp://127.0.0.1:{port + 1}"',
        "Any other Modbus TCP client can talk to them; what it writes stays, except where values move.",
        "Ctrl-C ends it.",
        "",
        "controller  requests  writes  refused  connections  turned away",
        "skid               0       0        0            0            0",
        "hall               0       0        0            0            0",
    ]


@pytest.mark.slow
def test_a_controller_of_the_plan_may_misbehave(plan_file: Path, port: int) -> None:
    done = run(str(plan_file), "--device", "hall=S9:ignores", "--port-base", str(port), "--for", "50 ms", "--json")
    assert done.returncode == 0
    controllers = json.loads(done.stdout)["controllers"]
    assert [controllers[name]["misbehaves"] for name in ("skid", "hall")] == [None, "S9:ignores"]
    done = run(str(plan_file), "--device", "hal=S9")
    assert (done.returncode, done.stdout) == (2, "")
    assert "the plan has no controller `hal`" in done.stderr


@pytest.mark.slow
def test_a_device_alone_is_served_with_a_plan_of_its_own_that_can_be_saved(port: int, tmp_path: Path) -> None:
    saved = tmp_path / "own.toml"
    done = run("--device", "s7", "--save", str(saved), "--port-base", str(port), "--for", "50 ms")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("skid (one connection): S7, one connection, and not too often. One connection at")
    assert f"wherry run {saved}" in done.stdout.replace("\n", " ")
    assert f'connect = "tcp://127.0.0.1:{port}"' in saved.read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("asked", "kinds"),
    [("S5", {"any", "all", "zero-fill", "start-only", "unsplittable", "shift"}), ("S5:shift", {"shift"})],
)
def test_each_controller_of_a_devices_own_plan_has_its_own_kind(asked: str, kinds: set[str], port: int) -> None:
    done = run("--device", asked, "--port-base", str(port), "--for", "50 ms", "--json")
    controllers = json.loads(done.stdout)["controllers"].values()
    assert {each["misbehaves"] for each in controllers} == {None, *(f"S5:{kind}" for kind in kinds)}


@pytest.mark.slow
@pytest.mark.foreign
@pytest.mark.skipif(sys.platform == "win32", reason="there is no way to send Ctrl-C to one child process")
def test_a_foreign_client_talks_to_it_and_ctrl_c_ends_it(plan_file: Path, port: int) -> None:
    client_module = pytest.importorskip("pymodbus.client")
    with running(str(plan_file), "--port-base", str(port), "--json") as process:
        client = client_module.ModbusTcpClient("127.0.0.1", port=port, timeout=PATIENCE_S, retries=0)
        assert client.connect()
        assert client.read_holding_registers(9, count=1, device_id=1).registers == [1234]
        assert not client.write_registers(20, [5, 6], device_id=1).isError()
        assert client.read_holding_registers(20, count=2, device_id=1).registers == [5, 6]
        assert client.read_holding_registers(65535, count=2, device_id=1).exception_code == 2
        client.close()
        process.send_signal(signal.SIGINT)
        output, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    document = json.loads(output)
    assert document["exit_code"] == 130
    skid = document["controllers"]["skid"]
    assert (skid["host"], skid["port"], skid["unit"]) == ("127.0.0.1", port, 1)
    assert skid["requests_by_function"] == {"read holding registers (03)": 3, "write multiple registers (10)": 1}
    assert (skid["requests"], skid["reads"], skid["writes"]) == (4, 2, 1)
    assert skid["exceptions"] == {"illegal data address (02)": 1}
    assert (skid["connections"], skid["connections_refused"]) == (1, 0)
    assert document["controllers"]["hall"]["requests"] == 0


@pytest.mark.slow
def test_a_port_in_use_is_a_sentence(plan_file: Path, port: int) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        done = run(str(plan_file), "--only", "hall", "--for", "50 ms")
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith(f"wherry: port {port} on 127.0.0.1 is in use by another program; ")
    assert "--port-base" in done.stderr


@pytest.mark.slow
def test_a_name_that_is_not_in_the_plan(plan_file: Path) -> None:
    done = run(str(plan_file), "--only", "intake")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "wherry: cannot simulate `intake`: the plan's controllers are skid, hall\n"


def plan_with(*addresses: tuple[str, int]) -> Plan:
    return Plan("", tuple(Controller(f"c{index}", *each) for index, each in enumerate(addresses)), ())


NEAR, FAR, FARTHER = ("127.0.0.1", 15021), ("10.20.0.11", 502), ("10.20.0.12", 1502)


@pytest.mark.parametrize(
    ("host", "port_base", "expected"),
    [
        (None, None, [NEAR, ("127.0.0.1", 502), ("127.0.0.1", 1502)]),
        (None, 15030, [("127.0.0.1", 15030), ("127.0.0.1", 15031), ("127.0.0.1", 15032)]),
        ("192.0.2.5", None, [("192.0.2.5", 15021), ("192.0.2.5", 502), ("192.0.2.5", 1502)]),
    ],
)
def test_where_controllers_are_served(host: str | None, port_base: int | None, expected: list[tuple[str, int]]) -> None:
    plan = plan_with(NEAR, FAR, FARTHER)
    names = [each.name for each in plan.controllers]
    assert list(places(plan, names, host, port_base).values()) == expected
    # A port stays the same whichever others are left out.
    assert places(plan, names[2:], host, port_base) == {"c2": expected[2]}


def test_units_behind_one_address_stay_together() -> None:
    plan = plan_with(FAR, FAR)
    assert places(plan, ["c0", "c1"], None, 15020) == {"c0": ("127.0.0.1", 15020), "c1": ("127.0.0.1", 15020)}


def test_two_addresses_that_would_meet() -> None:
    plan = plan_with(FAR, ("10.20.0.12", 502))
    with pytest.raises(LocalError, match=r"c0 and c1 would both be served at 127\.0\.0\.1:502; .* --port-base 15020"):
        places(plan, ["c0", "c1"], None, None)
    assert places(plan, ["c1"], None, None) == {"c1": ("127.0.0.1", 502)}


@pytest.mark.parametrize("port_base", [0, -1, 65535, 70000])
def test_a_port_base_without_room(port_base: int) -> None:
    with pytest.raises(LocalError, match="leaves no room for 2 ports"):
        places(plan_with(NEAR, FAR), ["c0", "c1"], None, port_base)


@pytest.mark.parametrize(
    ("host", "answer"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("localhost", True),
        ("10.20.0.11", False),
        ("skid", False),
    ],
)
def test_what_loopback_is(host: str, answer: bool) -> None:
    assert is_loopback(host) is answer
