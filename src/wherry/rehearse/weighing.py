"""How many objects an engine holds, all in all: it is weighed as a black box."""

from __future__ import annotations

import asyncio
import gc
from types import FunctionType, ModuleType
from typing import Final

from wherry.engine.runner import Engine

NOT_THE_ENGINE: Final = ("wherry.rehearse", "wherry.simulate", "wherry.transports", "asyncio")
"""What belongs to the rehearsal around it."""


def weigh(engine: Engine) -> int:
    """The number of objects that can be reached from the engine alone."""
    seen = {id(engine.plan)}
    waiting: list[object] = [engine]
    count = 0
    while waiting:
        thing = waiting.pop()
        if id(thing) in seen or isinstance(thing, ModuleType | type | FunctionType | asyncio.AbstractEventLoop):
            continue
        if type(thing).__module__.startswith(NOT_THE_ENGINE):
            continue
        seen.add(id(thing))
        count += 1
        waiting += gc.get_referents(thing)
    return count
