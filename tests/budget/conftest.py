"""Plans for the tests of budgets."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

WIDTHS = {"int16": 1, "uint16": 1, "int32": 2, "float32": 2, "float64": 4}


def scattered_plan(count: int, seed: int, *, limits: str = "", bits: float = 0.2) -> str:
    """A plan of values that stand far apart, in three transfers: hall gives 2, with two periods, and gets 1."""
    rng = random.Random(seed)
    parts = [
        'title = "Scattered"\n',
        f'[controller.hall]\nconnect = "tcp://10.20.0.1"\nstorage = "volatile"\nwhen_silent = "holds"\n{limits}\n',
        '[controller.skid]\nconnect = "tcp://10.20.0.2"\nstorage = "volatile"\nwhen_silent = "holds"\n',
    ]
    address = {"hall": 0, "skid": 0, "coil": 0}

    def free(where: str, width: int) -> int:
        start = address[where] + rng.randint(3, 9)
        address[where] = start + width
        return start

    shares = [("quick", "hall", "skid", "500 ms"), ("slow", "hall", "skid", "5 s"), ("down", "skid", "hall", "1 s")]
    for index, (name, source, destination, every) in enumerate(shares):
        rows = []
        for at in range(count // 3 + (index < count % 3)):
            if rng.random() < bits:
                take, put = f"holding {free(source, 1)}.{rng.randrange(16)}", f"coil {free('coil', 1)}"
            else:
                kind = rng.choice(list(WIDTHS))
                take = f"holding {free(source, WIDTHS[kind])} {kind}"
                put = f"holding {free(destination, WIDTHS[kind])} {kind}"
            rows.append(f'{{ name = "value {at}", take = "{take}", put = "{put}" }},  # number {at} of {name}\n')
        parts.append(
            f'[transfer.{name}]\nfrom = "{source}"\nto = "{destination}"\nevery = "{every}"\n'
            f'on_loss = "hold"\nvalues = [\n{"".join(rows)}]\n'
        )
    return "".join(parts)


@pytest.fixture
def scattered() -> Callable[..., str]:
    return scattered_plan
