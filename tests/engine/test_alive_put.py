"""The source's own counter beside our heartbeat: which register tells which failure."""

from __future__ import annotations

import asyncio
import random
from typing import Any

import pytest

from wherry.engine.runner import Engine
from wherry.plan import Loaded, loads
from wherry.plan.model import OnLoss, Plan, Table
from wherry.simulate.controller import Simulated, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000
S = 1000 * MS
PLAN = """
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.hall]
connect = "tcp://10.20.0.12"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "ON_LOSS"
alive = "holding 9 uint32"
alive_put = "holding 94"
status = "holding 90"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100", substitute = 7 },
]
"""


def loaded(on_loss: OnLoss = OnLoss.HOLD) -> Loaded:
    text = PLAN.replace("ON_LOSS", on_loss.value)
    return loads(text if on_loss is OnLoss.SUBSTITUTE else text.replace(", substitute = 7", ""))


HEARTBEAT, QUALITY, OWN = 90, 91, 95


def test_it_is_put_as_it_is_and_only_as_read_in_the_cycle(kit: Any) -> None:
    plan = loaded().plan
    taken: list[bytes] = []

    async def main() -> Any:
        def move(device: Any, seen: Any) -> None:
            # Words that mean nothing as a number in any other order.
            device.set_registers(9, [0xABCD, (seen.index * 7919) & 0xFFFF])
            if seen.pdu[2] == 9:
                taken.append(device.store.read_registers(Table.HOLDING, 9, 2))

        plant = await kit.plant(source=kit.device(before=move), transfers=plan.transfers)
        await asyncio.sleep(20)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    # Together with the status registers; the last word (Bad) is told with the status registers alone.
    put = [each.pdu[14:] for each in plant.receiver.writes if each.pdu[2] == 90 and len(each.pdu) == 18]
    assert len(put) >= 95
    assert put == taken[-len(put) :]
    values_at = [each.at_ns for each in plant.receiver.writes if each.pdu[2] == 100]
    counter_at = [each.at_ns for each in plant.receiver.writes if len(each.pdu) == 18]
    assert all(value < counter for value, counter in zip(values_at, counter_at, strict=True)), "behind the values"


async def _watch(hall: Any, seconds: float) -> tuple[bool, bool, int]:
    """Whether the heartbeat and the source's counter move during this time, and the quality at its end."""
    before = hall.registers(HEARTBEAT, 6)
    await asyncio.sleep(seconds)
    after = hall.registers(HEARTBEAT, 6)
    return before[0] != after[0], before[4:] != after[4:], after[1]


async def _plant(plan: Plan) -> tuple[Simulated, Engine]:
    network = MemoryNetwork(random.Random(1))
    simulated = await simulate_plan(plan, network)
    engine = Engine(simulated.plan, network, armed=["hall"], seed=1)
    engine.start()
    await asyncio.sleep(5)
    return simulated, engine


@pytest.mark.parametrize("on_loss", list(OnLoss))
def test_each_party_that_fails_shows_in_its_own_register(on_loss: OnLoss) -> None:
    async def main() -> None:
        simulated, engine = await _plant(loaded(on_loss).plan)
        skid, hall = simulated.controllers["skid"], simulated.controllers["hall"]
        assert await _watch(hall, 1) == (True, True, 2)

        skid.freeze()
        await asyncio.sleep(1.5)
        assert await _watch(hall, 2) == (True, False, 0), "the source's program has stopped"
        skid.thaw()
        await asyncio.sleep(3)
        assert await _watch(hall, 1) == (True, True, 2)

        skid.kill()
        await asyncio.sleep(1.5)
        assert await _watch(hall, 2) == (True, False, 0), "the source is lost"
        await skid.revive()
        await asyncio.sleep(8)
        assert await _watch(hall, 1) == (True, True, 2)

        for name in ("hall", "skid"):
            await engine.lines[name].close()
        await asyncio.sleep(0.1)
        assert await _watch(hall, 2) == (False, False, 2), "the carrier died: nothing moves"

    run_virtual(main)


def test_a_carrier_that_is_stopped_by_hand_says_so() -> None:
    async def main() -> None:
        simulated, engine = await _plant(loaded().plan)
        await engine.stop()
        assert await _watch(simulated.controllers["hall"], 2) == (False, False, 0)

    run_virtual(main)


@pytest.mark.parametrize(
    ("alive", "alive_put", "word"),
    [
        ("", "holding 94", "there is no counter to put there"),
        ("holding 9", "holding 94 uint32", "`alive` has one register and `alive_put` 2 registers"),
        ("holding 9.3", "holding 94", "a counter that is passed on takes whole registers"),
        ("holding 9", "coil 94", "a counter that is passed on takes whole registers"),
        ("holding 9", "holding 94.0", "a counter that is passed on takes whole registers"),
    ],
)
def test_nonsense_is_refused(alive: str, alive_put: str, word: str) -> None:
    line = f'alive = "{alive}"\n' if alive else ""
    text = PLAN.replace("ON_LOSS", "hold").replace('alive = "holding 9 uint32"\n', line)
    findings = loads(text.replace('alive_put = "holding 94"', f'alive_put = "{alive_put}"')).findings
    assert [each.message for each in findings if word in each.message], findings
