"""One survey from end to end: the watched procedure on a runner."""

from __future__ import annotations

from collections.abc import Callable

from wherry.clock import NS_PER_S
from wherry.plan.model import Framing
from wherry.survey.asking import Phase
from wherry.survey.found import RATE, Found, Settings
from wherry.survey.runner import Runner, Sent
from wherry.survey.supervision import Supervision
from wherry.transports.network import Network


async def survey_device(
    network: Network,
    host: str,
    port: int,
    settings: Settings,
    *,
    framing: Framing = Framing.MBAP,
    rate: float = RATE,
    timeout_ns: int = NS_PER_S,
    found: Found | None = None,
    on_sent: Sent | None = None,
    on_phase: Callable[[Phase], None] | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> Found:
    """Survey one device, by reading alone. ``found`` (a new one by default) is filled in as it goes, so that whoever
    cancels this has what was found until then. LinkError when no first connection can be made."""
    found = found if found is not None else Found()
    runner = Runner(network, host, port, framing, rate=rate, timeout_ns=timeout_ns, on_sent=on_sent, on_phase=on_phase)
    try:
        await runner.drive(Supervision(settings, found, on_progress).procedure())
    finally:
        found.requests, found.connects, found.elapsed_ns = runner.requests, runner.connects, runner.elapsed_ns
        await runner.close()
    return found
