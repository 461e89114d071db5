"""Wherry carries values between controllers that speak Modbus TCP.

The command line does nothing that a script cannot do with the names below: load a plan, check it, pack it, run it on
the running event loop (a real or a virtual one), talk to one controller, simulate one. They are imported when first
used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from wherry.checks.check import check as check
    from wherry.engine.events import Event as Event
    from wherry.engine.runner import Engine as Engine
    from wherry.engine.status import summary as summary
    from wherry.errors import LinkError as LinkError
    from wherry.errors import LocalError as LocalError
    from wherry.errors import PeerError as PeerError
    from wherry.errors import PlanError as PlanError
    from wherry.errors import WherryError as WherryError
    from wherry.findings import Finding as Finding
    from wherry.findings import Level as Level
    from wherry.packing.layout import layout as layout
    from wherry.plan import Loaded as Loaded
    from wherry.plan import load as load
    from wherry.plan import loads as loads
    from wherry.plan.model import Plan as Plan
    from wherry.protocol.responder import Responder as Responder
    from wherry.protocol.session import ClientSession as ClientSession
    from wherry.protocol.session import prepare as prepare
    from wherry.simulate.controller import SimulatedController as SimulatedController
    from wherry.simulate.controller import simulate_plan as simulate_plan
    from wherry.simulate.virtual_loop import VirtualLoop as VirtualLoop
    from wherry.simulate.virtual_loop import run_virtual as run_virtual
    from wherry.transports.memory import MemoryNetwork as MemoryNetwork
    from wherry.transports.tcp import TcpNetwork as TcpNetwork
    from wherry.values.quality import Quality as Quality

__version__ = "0.1.0"

_HOME: Final = {
    "ClientSession": "wherry.protocol.session",
    "Engine": "wherry.engine.runner",
    "Event": "wherry.engine.events",
    "Finding": "wherry.findings",
    "Level": "wherry.findings",
    "LinkError": "wherry.errors",
    "Loaded": "wherry.plan",
    "LocalError": "wherry.errors",
    "MemoryNetwork": "wherry.transports.memory",
    "PeerError": "wherry.errors",
    "Plan": "wherry.plan.model",
    "PlanError": "wherry.errors",
    "Quality": "wherry.values.quality",
    "Responder": "wherry.protocol.responder",
    "SimulatedController": "wherry.simulate.controller",
    "TcpNetwork": "wherry.transports.tcp",
    "VirtualLoop": "wherry.simulate.virtual_loop",
    "WherryError": "wherry.errors",
    "check": "wherry.checks.check",
    "layout": "wherry.packing.layout",
    "load": "wherry.plan",
    "loads": "wherry.plan",
    "prepare": "wherry.protocol.session",
    "run_virtual": "wherry.simulate.virtual_loop",
    "simulate_plan": "wherry.simulate.controller",
    "summary": "wherry.engine.status",
}
"""Each public name and the module it lives in."""

__all__ = ["__version__", *sorted(_HOME)]  # noqa: PLE0604 - the names are those of the table above


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'wherry' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted(__all__)
