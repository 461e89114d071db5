"""``wherry simulate``: serve the plan's controllers, with values that move, for whatever wants to talk to them."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
from collections.abc import Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Annotated, Any

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.cli.run import best_loop_factory, catch_interrupt, load_for_run
from wherry.errors import LinkError, LocalError
from wherry.plan import loads
from wherry.plan.durations import parse_duration
from wherry.plan.model import Controller, Framing, Plan
from wherry.plan.wording import listed
from wherry.protocol.functions import exception_text, function_title
from wherry.simulate.commanding import start_commands
from wherry.simulate.controller import Placed, Simulated, SimulatedController, simulate_plan
from wherry.simulate.devices.base import Chosen
from wherry.simulate.devices.catalogue import DEVICES, placed_for, preparing
from wherry.simulate.devices.catalogue import choose as choose_device
from wherry.transports.network import Network, place
from wherry.transports.tcp import TcpNetwork

LOOPBACK = "127.0.0.1"
SIGNALS_SHOWN = 6
PORT_MAX = 65535
OWN_PORT_BASE = 15020
"""Where the controllers of a device's own plan are served unless said."""

SERVED: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("served at", "left"), ("unit", "right"), ("what moves", "left"),
)  # fmt: skip
ASKED: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("requests", "right"), ("writes", "right"), ("refused", "right"), ("connections", "right"),
    ("turned away", "right"),
)  # fmt: skip


def simulate_command(
    plan: Path | None = None,
    *,
    device: Annotated[list[str] | None, Parameter(negative=())] = None,
    save: Path | None = None,
    only: Annotated[list[str] | None, Parameter(negative=())] = None,
    host: str | None = None,
    port_base: int | None = None,
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Serve the plan's controllers with moving values, declared limits, holes and response times. Ends with Ctrl-C.

    Parameters
    ----------
    plan
        The plan file. Not needed with the --device of a misbehaving device alone: it has a plan of its own.
    device
        Let a controller misbehave: S1 to S15 alone, or NAME=S7 for the controller NAME of the plan; give it once for
        each. S3:swapped chooses one of its kinds. The devices are described in docs/simulate.md.
    save
        Write the device's own plan, with the places where it is served, to this file: for `wherry run`.
    only
        Simulate this controller and no other; give it once for each.
    host
        The address of this computer to serve on. Without it nothing can be reached from outside: a loopback address of
        the plan is served as it is, any other on 127.0.0.1.
    port_base
        Serve the plan's first address on this port, the second on the next, and so on. Without it: the plan's ports.
    for_
        How long to serve, for example 10s or 5min. Without it: until Ctrl-C.
    json
        Print one JSON document at the end, and nothing else on stdout.
    """
    duration_ns = None if for_ is None else parse_duration(for_)
    own = own_device(plan, device or (), save)
    if own is None:
        assert plan is not None
        ready = load_for_run(plan)
        if ready is None:
            return Exit.WRONG_CALL
        misbehaving, name = devices_by_name(device or ()), str(plan)
    else:
        text = own_plan_text(own, host, port_base or OWN_PORT_BASE)
        ready, name = loads(text, own.text).plan, "" if save is None else str(save)
        # As it was asked for: without a kind each controller of the device's plan has its own.
        misbehaving = placed_for((device or [own.text])[0])
        if save is not None:
            save_plan(text, save)
    preparing(ready, misbehaving)
    if not json:
        tell_devices(misbehaving)
    chosen = choose(ready, only)
    placed = places(ready, chosen, host, port_base)
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        return runner.run(serve(ready, name, TcpNetwork(), chosen, placed, duration_ns, misbehaving, json=json))


def own_device(plan: Path | None, devices: Sequence[str], save: Path | None) -> Chosen | None:
    """The device whose own plan is served; None when there is a plan. LocalError when the call is neither."""
    if plan is not None:
        if save is not None:
            raise LocalError(
                "--save writes the plan of a device that is served alone; your plan is in its file already"
            )
        return None
    if len(devices) != 1 or "=" in devices[0]:
        raise LocalError(
            "name a plan file, or one device alone: `wherry simulate --device S7`, "
            "or `wherry simulate --device NAME=S7 PLAN`"
        )
    return choose_device(devices[0])


def devices_by_name(devices: Sequence[str]) -> dict[str, Chosen]:
    """Which controller misbehaves how. LocalError for what is not NAME=S7, or twice the same name."""
    result: dict[str, Chosen] = {}
    for text in devices:
        name, equals, label = text.partition("=")
        if not equals:
            raise LocalError(f"--device {text}: with a plan, say which controller it is: --device NAME={text}")
        if name in result:
            raise LocalError(f"--device is given twice for {name}: a controller misbehaves in one way")
        result[name] = choose_device(label)
    return result


def tell_devices(misbehaving: Mapping[str, Chosen]) -> None:
    """What each device does that misbehaves, once for each."""
    names: dict[str, list[str]] = {}
    for name, chosen in misbehaving.items():
        names.setdefault(chosen.device.label, []).append(f"{name} ({chosen.kind})")
    for label, whose in names.items():
        device = DEVICES[label]
        output.sentence(f"{listed(whose, last='and')}: {label}, {device.title}. {device.description}")
    if names:
        output.data()


def own_plan_text(own: Chosen, host: str | None, port_base: int) -> str:
    """A device's own plan with the places where it is served in the place of the addresses it tells."""
    plan = own.device.plan
    placed = places(plan, [each.name for each in plan.controllers], host, port_base)
    text = own.device.plan_text
    for controller in plan.controllers:
        at = place(*placed[controller.name])
        # The usual port is not written in these plans.
        for told in (place(controller.host, controller.port), controller.host):
            text = text.replace(f'//{told}"', f'//{at}"')
    return text


def save_plan(text: str, file: Path) -> None:
    """Write a plan to a new file. LocalError if the file is there or cannot be written."""
    try:
        with file.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        raise LocalError(f"{file} is there already, and is left as it is; choose another name for --save") from None
    except OSError as failed:
        raise LocalError(f"cannot write {file}: {failed.strerror or failed}") from None


def choose(plan: Plan, only: Sequence[str] | None) -> list[str]:
    """The names of the controllers to simulate. LocalError for one that is not there."""
    known = [each.name for each in plan.controllers]
    for name in only or ():
        if name not in known:
            raise LocalError(f"cannot simulate `{name}`: the plan's controllers are {', '.join(known)}")
    return [name for name in known if not only or name in only]


def places(plan: Plan, chosen: Sequence[str], host: str | None, port_base: int | None) -> Placed:
    """Where each controller is served. LocalError when two of different addresses would meet."""
    addresses = list(dict.fromkeys((each.host, each.port) for each in plan.controllers))
    if port_base is not None and not 1 <= port_base <= PORT_MAX - len(addresses) + 1:
        raise LocalError(
            f"--port-base {port_base} leaves no room for {output.plural(len(addresses), 'port')} within 1 to {PORT_MAX}"
        )
    result: dict[str, tuple[str, int]] = {}
    first_at: dict[tuple[str, int], Controller] = {}
    for controller in (plan.controller(name) for name in chosen):
        at_host = host or (controller.host if is_loopback(controller.host) else LOOPBACK)
        index = addresses.index((controller.host, controller.port))
        at = (at_host, controller.port if port_base is None else port_base + index)
        first = first_at.setdefault(at, controller)
        if (first.host, first.port) != (controller.host, controller.port):
            raise LocalError(
                f"{first.name} and {controller.name} would both be served at {place(*at)}; "
                "give each a port of its own with --port-base 15020"
            )
        result[controller.name] = at
    return result


def is_loopback(host: str) -> bool:
    """Whether an address cannot be reached from another computer."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


async def serve(
    plan: Plan,
    file: str,
    network: Network,
    chosen: Sequence[str],
    placed: Placed,
    duration_ns: int | None,
    misbehaving: Mapping[str, Chosen],
    *,
    json: bool,
) -> int:
    """Serve until the time is over or Ctrl-C."""
    over = asyncio.Event()
    interrupted = catch_interrupt(over)
    try:
        simulated = await simulate_plan(plan, network, only=chosen, placed=placed, prepare=preparing(plan, misbehaving))
    except LinkError as failed:
        output.error(str(failed), "`--port-base 15020` serves the plan's addresses on ports of their own from 15020 on")
        return Exit.UNREACHABLE
    if json:
        for controller in simulated.controllers.values():
            output.talk(f"{controller.controller.name} is served at {place(controller.host, controller.port)}")
    else:
        show(plan, file, simulated)
    loop = asyncio.get_running_loop()
    programs = start_commands(simulated, Random(0))
    started_s = loop.time()
    try:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(over.wait(), None if duration_ns is None else duration_ns / 1e9)
    finally:
        for each in programs:
            each.stop()
        await simulated.stop()
    code = Exit.INTERRUPTED if interrupted() else Exit.OK
    if json:
        output.json_document(document(plan, file, simulated, loop.time() - started_s, code, misbehaving))
    else:
        output.data()
        output.table(ASKED, [asked(each) for each in simulated.controllers.values()])
    return code


def show(plan: Plan, file: str, simulated: Simulated) -> None:
    """What is served, and how to talk to it."""
    controllers = list(simulated.controllers.values())
    output.data(f"{plan.title or file}: {output.plural(len(controllers), 'simulated controller')}, no hardware.\n")
    output.table(SERVED, [served(each) for each in controllers])
    output.data()
    for sentence in advice(plan, file, controllers):
        output.sentence(sentence)
    output.data("Ctrl-C ends it.")


def served(simulated: SimulatedController) -> Sequence[str]:
    """One row of what is served."""
    moving = simulated.signals
    more = len(moving) - SIGNALS_SHOWN
    lines = [*moving[:SIGNALS_SHOWN], *([f"and {more} more"] if more > 0 else [])]
    return (
        simulated.controller.name,
        place(simulated.host, simulated.port),
        str(simulated.controller.unit),
        "\n".join(lines) or "nothing: nothing is taken from it",
    )


def advice(plan: Plan, file: str, controllers: Sequence[SimulatedController]) -> list[str]:
    """How a plan or another client gets there."""
    moved = [each for each in controllers if (each.host, each.port) != (each.controller.host, each.controller.port)]
    said = []
    if not file:
        said.append("`--save FILE` writes the plan of this device, for `wherry run FILE` in another terminal.")
    elif moved:
        said.append("Served elsewhere than the plan says. To reach them, write in a copy of the plan:")
        for each in moved:
            scheme = "tcp" if each.controller.framing is Framing.MBAP else "rtu+tcp"
            said.append(f'  [controller.{each.controller.name}]  connect = "{scheme}://{place(each.host, each.port)}"')
    elif len(controllers) == len(plan.controllers):
        said.append(f"In another terminal: wherry run {output.quoted(file)} --read-only --for 10s")
    else:
        said.append(
            f"wherry run {output.quoted(file)} reaches these where the plan says; the others must be there themselves."
        )
    said.append("Any other Modbus TCP client can talk to them; what it writes stays, except where values move.")
    return said


def asked(simulated: SimulatedController) -> Sequence[str]:
    """One row of what a controller was asked."""
    counts = simulated.counts
    return (
        simulated.controller.name,
        f"{counts.request_count:,}",
        f"{counts.writes:,}",
        f"{sum(counts.exceptions.values()):,}",
        f"{counts.connections:,}",
        f"{counts.connections_refused:,}",
    )


def document(
    plan: Plan, file: str, simulated: Simulated, duration_s: float, code: Exit, misbehaving: Mapping[str, Chosen]
) -> dict[str, Any]:
    """The JSON answer."""
    return {
        "plan": file,
        "title": plan.title,
        "duration_s": round(duration_s, 3),
        "controllers": {
            name: {
                "host": each.host,
                "port": each.port,
                "unit": each.controller.unit,
                "misbehaves": misbehaving[name].text if name in misbehaving else None,
                "signals": each.signals,
                "requests": each.counts.request_count,
                "requests_by_function": {
                    function_title(code): count for code, count in sorted(each.counts.requests.items())
                },
                "reads": each.counts.reads,
                "writes": each.counts.writes,
                "exceptions": {exception_text(code): count for code, count in sorted(each.counts.exceptions.items())},
                "unanswered": each.counts.unanswered,
                "other_unit": each.counts.other_unit,
                "connections": each.counts.connections,
                "connections_refused": each.counts.connections_refused,
            }
            for name, each in simulated.controllers.items()
        },
        "exit_code": int(code),
    }
