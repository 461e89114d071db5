"""Plans by chance, to rehearse what nobody thought of: sound ones, so that whatever is found is the engine's fault."""

from __future__ import annotations

from random import Random
from typing import Final

from wherry.checks.check import check
from wherry.findings import Level
from wherry.plan import loads
from wherry.plan.model import Plan

TRIES_MAX: Final = 200
PERIODS_MS: Final = (100, 200, 200, 500, 1000, 1000, 5000)
ORDERS: Final = ("", "", " CDAB", " BADC", " DCBA")
WIDE: Final = ("int32", "uint32", "float32", "float64", "int64", "bcd32")
NARROW: Final = ("int16", "uint16", "uint16", "bcd16")
WIDTH: Final = {
    "int16": 1, "uint16": 1, "bcd16": 1, "int32": 2, "uint32": 2, "float32": 2, "bcd32": 2, "int64": 4, "float64": 4,
    "string(6)": 3,
}  # fmt: skip


def chance_plan(seed: int) -> Plan:
    """The plan of a seed: two to four controllers, one to four transfers. The same seed gives the same plan."""
    for attempt in range(TRIES_MAX):
        text = plan_text(Random(f"{seed} plan {attempt}"))
        loaded = loads(text, f"chance-{seed}.toml")
        if not any(each.level is Level.ERROR for each in check(loaded)):
            return loaded.plan
    raise AssertionError(f"no sound plan in {TRIES_MAX} tries for seed {seed}")


def plan_text(rng: Random) -> str:
    """A plan that may be sound or not, as TOML."""
    is_shared = rng.random() < 0.25
    count = rng.choice((2, 2, 3, 4)) if not is_shared else rng.choice((3, 4))
    names = [f"tank{index}" for index in range(1, count + 1)]
    scheme = "rtu+tcp" if rng.random() < 0.25 else "tcp"
    parts = ['title = "Trout tanks by chance"\n']
    owned: dict[str, list[int]] = {}
    for index, name in enumerate(names):
        # Behind a gateway all but the first have one address.
        is_behind = is_shared and index > 0
        host = f"10.20.0.{12 if is_behind else 11 + index}"
        unit = index + 1 if is_shared else rng.choice((1, 1, 7))
        own_scheme = scheme if is_behind else rng.choice(("tcp", "tcp", "tcp", "rtu+tcp"))
        owned[name] = [700, 701] if rng.random() < 0.3 else []
        port = ":4001" if own_scheme == "rtu+tcp" else ""
        parts.append(_controller(rng, name, f"{own_scheme}://{host}{port}", unit, owned[name]))
    free = dict.fromkeys(names, 100)
    taken = dict.fromkeys(names, 0)
    for index in range(rng.randint(1, 4)):
        source, receiver = rng.sample(names, 2)
        parts.append(_Transfer(rng, f"water{index}", source, receiver, free, taken, owned[receiver]).text())
    return "".join(parts)


def _controller(rng: Random, name: str, connect: str, unit: int, owned: list[int]) -> str:
    limits = {
        "read": rng.choice((4, 16, 125, 125)),
        "write": rng.choice((4, 8, 123, 123)),
        "in_flight": rng.choice((1, 1, 2, 4)),
        "gap": rng.choice(('"0 s"', '"0 s"', '"2 ms"', '"7 ms"')),
        "timeout": rng.choice(('"250 ms"', '"1 s"', '"1 s"')),
        "reconnect": rng.choice(('"200 ms"', '"500 ms"')),
    }
    if rng.random() < 0.2:
        limits["rate"] = rng.choice((60, 200))
    if rng.random() < 0.15:
        limits["idle"] = '"10 s"'
    if rng.random() < 0.1:
        limits["connection"] = '"per exchange"'
    if rng.random() < 0.05:
        limits["connects"] = rng.choice((20, 60))
    lines = [f'[controller.{name}]\nconnect = "{connect}"\nunit = {unit}\n']
    lines.append(f"limits = {{ {', '.join(f'{key} = {value}' for key, value in limits.items())} }}\n")
    lines.append(f'response = {{ fixed = "{rng.choice((1, 5, 20))} ms", per_register = "20 us" }}\n')
    if rng.random() < 0.2:
        lines.append("write_single = true\n")
    if owned:
        places = ", ".join(f'"holding {each}"' for each in owned)
        lines.append(f'bit_writes = "read-change-write"\nowned = [{places}]\n')
    return "".join(lines)


class _Transfer:
    """One transfer. ``free`` is the next free address of each receiver, so that no two values meet; ``taken`` the same
    of each source, so that no number lies in the middle of another."""

    def __init__(
        self,
        rng: Random,
        name: str,
        source: str,
        receiver: str,
        free: dict[str, int],
        taken: dict[str, int],
        owned: list[int],
    ) -> None:
        self.rng = rng
        self.name = name
        self.source = source
        self.receiver = receiver
        self.free = free
        self.owned = owned
        self.substitutes = rng.random() < 0.5
        self.taken = taken
        self.has_group = rng.random() < 0.15

    def _put(self, count: int) -> int:
        """Room for so many items, now and then with a gap before it."""
        at = self.free[self.receiver] + self.rng.choice((0, 0, 0, 1, 20))
        self.free[self.receiver] = at + count
        return at

    def _take(self, count: int) -> int:
        at = self.taken[self.source]
        self.taken[self.source] = at + count + self.rng.choice((0, 0, 3))
        return at

    def text(self) -> str:
        rng = self.rng
        period_ms = rng.choice(PERIODS_MS)
        lines = [f'[transfer.{self.name}]\nfrom = "{self.source}"\nto = "{self.receiver}"\nevery = "{period_ms} ms"\n']
        lines.append(f'max_age = "{max(1000, period_ms) * rng.choice((2, 3, 5))} ms"\n')
        lines.append(f'on_loss = "{"substitute" if self.substitutes else "hold"}"\n')
        if rng.random() < 0.85:
            lines.append(f'status = "holding {self._put(4)}"\n')
        if rng.random() < 0.15:
            lines.append("double_read = true\n")
        if rng.random() < 0.3:
            if rng.random() < 0.5:
                lines.append(f'alive_put = "holding {self._put(1)}"\n')
            lines.append(f'alive = "holding {rng.choice((200, 201))}"\n')
        if rng.random() < 0.15:
            count = rng.randint(1, 12)
            put = self._put(count)
            lines[2] = 'on_loss = "hold"\n'
            take = self._take(count)
            lines.append(
                f'copy = {{ take = "holding {take}..{take + count - 1}", put = "holding {put}..{put + count - 1}" }}\n'
            )
            return "".join(lines)
        rows = [self._value(index) for index in range(rng.randint(1, 6))]
        return "".join([*lines, "values = [\n", *(f"  {{ {', '.join(row)} }},\n" for row in rows), "]\n"])

    def _value(self, index: int) -> list[str]:
        rng = self.rng
        if rng.random() < 0.25:
            return self._bit(index)
        take_type = rng.choice(NARROW + WIDE)
        put_type = take_type if rng.random() < 0.5 else rng.choice(NARROW + WIDE)
        row = [f'name = "value {index}"']
        table = rng.choice(("holding", "holding", "input"))
        order = rng.choice(ORDERS) if WIDTH[take_type] > 1 else ""
        row.append(f'take = "{table} {self._take(WIDTH[take_type])} {take_type}{order}"')
        order = rng.choice(ORDERS) if WIDTH[put_type] > 1 else ""
        row.append(f'put = "holding {self._put(WIDTH[put_type])} {put_type}{order}"')
        row.append(f"range = [0, {rng.choice((20, 100, 5000))}]")
        if rng.random() < 0.4:
            row.append(f"scale = [0, 20, 0, {rng.choice((20, 35))}]")
        if rng.random() < 0.2:
            row.append("clamp = true")
        if rng.random() < 0.2:
            row.append(f'rounding = "{rng.choice(("up", "down", "half away", "toward zero"))}"')
        if self.substitutes:
            row.append(f"substitute = {rng.choice((0, 1, 7))}")
        if self.has_group and index < 2:
            row.append('group = "pair"')
        elif rng.random() < 0.1:
            row.append(f"step = {rng.choice((1, 5))}")
            row.append(f'on_step = "{rng.choice(("ramp", "hold"))}"')
        elif rng.random() < 0.2:
            row.append(f"deadband = {rng.choice((0, 0.5, 2))}")
            row.append('refresh = "20 s"')
        if rng.random() < 0.1:
            row.append('verify = "500 ms"')
        return row

    def _bit(self, index: int) -> list[str]:
        rng = self.rng
        take = rng.choice(("discrete 3", "coil 2", f"holding 210.{index}"))
        if self.owned and rng.random() < 0.5:
            put = f"holding {self.owned[0]}.{index}"
        elif rng.random() < 0.5:
            put = f"coil {self._put(1)}"
        else:
            put = f"holding {self._put(1)}.{rng.randrange(16)}"
        row = [f'name = "bit {index}"', f'take = "{take}"', f'put = "{put}"']
        if self.substitutes:
            row.append(f"substitute = {rng.choice(('true', 'false'))}")
        return row
