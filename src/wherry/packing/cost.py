"""What a request costs a controller: a fixed time and a time for each item.

The straight line is a model, not a measurement: a controller needs a while to take up a request at all, and a little
longer for each register (common practice, no source). Wire time on Ethernet is small beside both and left out.
"""

from __future__ import annotations

from dataclasses import dataclass

from wherry.limits import REGISTER_BITS
from wherry.plan.model import Controller, Table

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Cost:
    """Cost of one request in nanoseconds: ``fixed_ns + per_item_ns * count``."""

    fixed_ns: int
    per_item_ns: int

    def of(self, count: int) -> int:
        """Nanoseconds for one request of ``count`` items."""
        return self.fixed_ns + self.per_item_ns * count


def cost_of(controller: Controller, table: Table) -> Cost:
    """What a request to this table costs the controller, from its declared response time, gap and request rate."""
    response, limits = controller.response, controller.limits
    fixed_ns = response.fixed_ns + limits.gap_ns
    if limits.requests_per_s:
        # A controller that stands few requests a second makes each of them dear, however quick its answer is.
        fixed_ns = max(fixed_ns, round(NS_PER_S / limits.requests_per_s))
    per_item_ns = response.per_register_ns // REGISTER_BITS if table.is_bits else response.per_register_ns
    return Cost(fixed_ns, per_item_ns)
