"""Plans to measure with."""

from __future__ import annotations

from ipaddress import IPv4Address
from random import Random

WORDS = 10
VALUES_PER_TRANSFER = 100


def carry_plan(source_port: int, destination_port: int, pairs: int, period_ms: float, kind: str) -> str:
    """``pairs`` transfers of ten words, each from a controller of its own to a controller of its own.

    ``kind``: ``raw`` copies the words; ``typed`` takes ten whole numbers with a range; ``scaled`` also scales them.
    """
    parts = ['title = "carry"']
    for index in range(pairs):
        # An address of its own for each, or they would share a connection.
        host = IPv4Address("127.0.0.1") + index
        parts.append(f'[controller.skid{index}]\nconnect = "tcp://{host}:{source_port}"')
        parts.append(f'[controller.hall{index}]\nconnect = "tcp://{host}:{destination_port}"')
        parts.append(
            f'[transfer.words{index}]\nfrom = "skid{index}"\nto = "hall{index}"\nevery = "{period_ms:g} ms"\n'
            'max_age = "2 s"\non_loss = "hold"'
        )
        parts.append(_words(kind))
    return "\n".join(parts) + "\n"


def _words(kind: str) -> str:
    if kind == "raw":
        return 'copy = { take = "holding 0..9", put = "holding 0..9" }'
    scale = ", scale = [0, 4000, 0, 1000]" if kind == "scaled" else ""
    values = [
        f'  {{ name = "tank {word}", take = "holding {word} uint16", put = "holding {word} uint16", '
        f"range = [0, 4000]{scale} }},"
        for word in range(WORDS)
    ]
    return "\n".join(["values = [", *values, "]"])


def scattered_plan(source_port: int, destination_port: int, points: int, delay_ms: float, period_ms: float) -> str:
    """One transfer of ``points`` words at addresses scattered over ten thousand, all of them readable."""
    addresses = sorted(Random(1).sample(range(10_000), points))
    values = [
        f'  {{ name = "value {index}", take = "holding {address}", put = "holding {index}" }},'
        for index, address in enumerate(addresses)
    ]
    return "\n".join(
        [
            'title = "scattered"',
            f'[controller.skid]\nconnect = "tcp://127.0.0.1:{source_port}"\nreadable = ["holding 0..9999"]',
            f'response = {{ fixed = "{delay_ms:g} ms", per_register = "0 us" }}',
            f'[controller.hall]\nconnect = "tcp://127.0.0.1:{destination_port}"',
            f'[transfer.scattered]\nfrom = "skid"\nto = "hall"\nevery = "{period_ms:g} ms"\nmax_age = "10 s"',
            'on_loss = "hold"',
            "values = [",
            *values,
            "]\n",
        ]
    )


def long_plan(values: int) -> str:
    """A sound plan of many values of several types, from twenty controllers to twenty."""
    transfers = values // VALUES_PER_TRANSFER
    controllers = 20
    parts = ['title = "a large hatchery"']
    for index in range(controllers):
        parts.append(f'[controller.skid{index}]\nconnect = "tcp://10.20.0.{index + 1}"\nlimits = {{ in_flight = 4 }}')
        parts.append(f'[controller.hall{index}]\nconnect = "tcp://10.20.1.{index + 1}"\nlimits = {{ in_flight = 4 }}')
    for index in range(transfers):
        base = 1000 * (index // controllers)
        parts.append(
            f'[transfer.water{index}]\nfrom = "skid{index % controllers}"\nto = "hall{index % controllers}"\n'
            f'every = "1 s"\nmax_age = "5 s"\non_loss = "hold"\nstatus = "holding {base + 900}"\nvalues = ['
        )
        for value in range(VALUES_PER_TRANSFER):
            take, put = base + 4 * value, base + 2 * value
            parts.append(
                f'  {{ name = "tank {value} oxygen", take = "holding {take} float32 CDAB", '
                f'put = "holding {put} int16", '
                'scale = [0, 20, 0, 2000], unit = "mg/L", range = [0, 20] },'
            )
        parts.append("]")
    return "\n".join(parts) + "\n"


PERIODS_MS = (200, 500, 1000, 2000)


def several_periods_plan(values: int) -> str:
    """A plan that can be carried: transfers of several periods between controllers that are sources and receivers."""
    controllers = max(3, values // 250)
    per_transfer = min(VALUES_PER_TRANSFER, max(5, values // 10))
    parts = ['title = "several periods"']
    parts += [
        f'[controller.tank{index}]\nconnect = "tcp://10.20.0.{index + 1}"\n'
        'response = { fixed = "3 ms", per_register = "10 us" }'
        for index in range(controllers)
    ]
    for index in range(values // per_transfer):
        source, receiver = index % controllers, (index * 7 + 1) % controllers
        if receiver == source:
            receiver = (source + 1) % controllers
        base = 300 * index % 60_000
        parts.append(
            f'[transfer.flow{index}]\nfrom = "tank{source}"\nto = "tank{receiver}"\n'
            f'every = "{PERIODS_MS[index % len(PERIODS_MS)]} ms"\nmax_age = "5 s"\non_loss = "hold"\n'
            f'status = "holding {base + 250}"\nvalues = ['
        )
        parts += [
            f'  {{ name = "value {value}", take = "holding {base + value}", put = "holding {base + 125 + value}" }},'
            for value in range(per_transfer)
        ]
        parts.append("]")
    return "\n".join(parts) + "\n"
