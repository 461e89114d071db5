"""``wherry demo``: the hatchery on simulated controllers, with a source lost and regained halfway.

Everything is real but the controllers' insides: real connections on loopback, the same engine as ``wherry run``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from importlib import resources
from typing import Annotated

from cyclopts import Parameter

from wherry.checks.check import check
from wherry.cli import output, run_view
from wherry.cli.output import Exit
from wherry.cli.run import best_loop_factory
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.findings import Level
from wherry.plan import loads
from wherry.plan.model import Plan, Transfer, reference_number
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.transports.tcp import TcpNetwork
from wherry.values.quality import Quality

HEALTHY_S = 4.0
LOST_S = 3.0
REGAINED_S_MAX = 10.0
"""How long a return is waited for: the line's waits between connects have grown meanwhile."""
AFTER_S = 1.5
LOOK_EVERY_S = 0.5
LOOKS_MAX = round(REGAINED_S_MAX / LOOK_EVERY_S)


def demo_command(*, json: Annotated[bool, Parameter(negative=())] = False) -> int:
    """Show the whole of it on simulated controllers, with no hardware: about 12 seconds, ends by itself.

    Parameters
    ----------
    json
        Print one JSON document at the end, and nothing else on stdout.
    """
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        return runner.run(show(json))


def hatchery_plan() -> Plan:
    """The plan that ships with the package."""
    text = resources.files("wherry").joinpath("examples", "hatchery.toml").read_text(encoding="utf-8")
    loaded = loads(text, "hatchery.toml")
    findings = check(loaded)
    errors = [each for each in findings if each.level is Level.ERROR]
    assert not errors, errors
    return loaded.plan


async def show(json: bool) -> int:
    """The script of the demo."""
    say = (lambda _text="": None) if json else output.data
    plan = hatchery_plan()
    network = TcpNetwork()
    simulated = await simulate_plan(plan, network, any_port=True)
    plan = simulated.plan
    source, watched = plan.transfers[0].source, plan.transfers[0]
    say(f"{plan.title}: {output.plural(len(plan.controllers), 'simulated controller')} on loopback, no hardware.\n")
    for controller in plan.controllers:
        say(f"  {controller.name:<8} {controller.host}:{controller.port}  unit {controller.unit}")
    say("\nThe plan is sound (wherry check finds no error). What it carries:\n")
    if not json:
        output.table(VALUE_COLUMNS, plan_rows(plan))
    receiver = simulated.controllers[watched.destination]
    before = put_texts(watched, receiver)
    armed = {each.destination for each in plan.transfers}
    listeners = () if json else (run_view.show_event,)
    engine = Engine(plan, network, armed=armed, listeners=listeners)
    say(f"\nRunning for {HEALTHY_S:.0f} s, writing to {', '.join(sorted(armed))} (they are simulated).\n")
    engine.start()
    await asyncio.sleep(HEALTHY_S)
    healthy = put_texts(watched, receiver)
    say(f"\nNow {source} is lost for {LOST_S:.0f} s. What {receiver.controller.name}'s own registers say meanwhile:\n")
    simulated.controllers[source].kill()
    seen = await look(watched, receiver, LOST_S)
    lost = put_texts(watched, receiver)
    if not json:
        output.table(STATUS_COLUMNS, seen)
    say(f"\n{source} comes back; nothing is restarted.\n")
    simulated.controllers[source].revive()
    seen_after: list[Sequence[str]] = []
    while not all(carry.quality is Quality.GOOD for carry in engine.carries) and len(seen_after) < LOOKS_MAX:
        seen_after += await look(watched, receiver, LOOK_EVERY_S, from_step=len(seen_after))
    seen_after += await look(watched, receiver, AFTER_S, from_step=len(seen_after))
    if not json:
        output.table(STATUS_COLUMNS, seen_after)
    ended_good = all(carry.quality is Quality.GOOD for carry in engine.carries)
    await engine.stop()
    await simulated.stop()
    figures = summary(engine, engine.now_ns())
    if json:
        output.json_document(figures | {"exit_code": int(Exit.OK if ended_good else Exit.NO)})
        return Exit.OK if ended_good else Exit.NO
    say(f"\n{receiver.controller.name}'s registers before, while running, and with {source} lost:\n")
    rows = [(*row, healthy[index][-1], lost[index][-1]) for index, row in enumerate(before)]
    output.table(REGISTER_COLUMNS, rows)
    say()
    run_view.print_summary(figures)
    for sentence in conclusion(watched, source, receiver.controller.name, seen, ended_good):
        say(output.lines_of(sentence, hanging=2))
    return Exit.OK if ended_good else Exit.NO


VALUE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("value", "left"), ("from", "left"), ("to", "left"), ("unit", "left"), ("every", "right"),
)  # fmt: skip
STATUS_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("after", "right"), ("heartbeat", "right"), ("quality", "left"), ("age", "right"), ("sequence", "right"),
)  # fmt: skip
REGISTER_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("value", "left"), ("place", "left"), ("number", "right"), ("before", "right"), ("running", "right"),
    ("lost", "right"),
)  # fmt: skip


def plan_rows(plan: Plan) -> list[Sequence[str]]:
    """What the plan carries, one row a value."""
    return [
        (
            value.name,
            f"{transfer.source} {value.take}",
            f"{transfer.destination} {value.put}",
            value.unit,
            run_view.ms_text(transfer.period_ns / 1e6),
        )
        for transfer in plan.transfers
        for value in transfer.values
    ]


def put_texts(transfer: Transfer, receiver: SimulatedController) -> list[Sequence[str]]:
    """The receiver's own registers at the places where values are put: name, place, number from one, content."""
    return [
        (
            value.name,
            str(value.put),
            reference_number(value.put.table, value.put.address),
            run_view.reading_text(value, receiver.get(value.put)),
        )
        for value in transfer.values
    ]


async def look(
    transfer: Transfer, receiver: SimulatedController, seconds: float, *, from_step: int = 0
) -> list[Sequence[str]]:
    """The receiver's status registers, looked at from inside it while time passes."""
    assert transfer.status is not None
    rows: list[Sequence[str]] = []
    for step in range(from_step + 1, from_step + round(seconds / LOOK_EVERY_S) + 1):
        await asyncio.sleep(LOOK_EVERY_S)
        start = transfer.status.start
        heartbeat, quality, age_ms, sequence = receiver.registers(start, 4)
        word = Quality(quality).name.capitalize()
        rows.append(
            (f"{step * LOOK_EVERY_S:.1f} s", f"{heartbeat}", f"{quality} {word}", f"{age_ms} ms", f"{sequence}")
        )
    return rows


def conclusion(
    transfer: Transfer, source: str, receiver: str, seen: Sequence[Sequence[str]], ended_good: bool
) -> list[str]:
    """What was seen, in plain words; only what the registers really showed."""
    bad_at = next((row[0] for row in seen if row[2].startswith("0")), None)
    limit = run_view.ms_text((transfer.max_age_ns + transfer.period_ns) / 1e6)
    said = [
        f"With {source} lost, {receiver} itself read quality Bad {bad_at} later (looked at every {LOOK_EVERY_S} s; "
        f"promised: within max_age plus one period, {limit})."
        if bad_at
        else f"With {source} lost, {receiver} did NOT read quality Bad: this is a fault."
    ]
    if ended_good:
        said.append("After the source came back every transfer was Good again, without a restart.")
    else:
        said.append("After the source came back NOT every transfer was Good again: this is a fault.")
    said.append("Next: docs/start.md, or `wherry new plan.toml` and then `wherry rehearse plan.toml`.")
    return said
