"""A controller reached over the public internet."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A controller whose `connect` is an IP address that is routed on the public internet (by the registries that RFC 6890
names).

### Why it matters

Plain Modbus has no authentication: whoever reaches the port can write. Keep controllers on a segmented network (IEC
62443, NIST SP 800-82). Often such an address is a typing error.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://192.88.99.12"
#         ^^^^^^^^^^^^^^^^^^^^

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://192.168.99.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Use the controller's address on the plant network, or reach the site through a tunnel that authenticates.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        try:
            is_public = ipaddress.ip_address(controller.host.strip("[]")).is_global
        except ValueError:
            continue  # a name: what it resolves to is not known here
        if is_public:
            yield RULE.finding(
                f"{controller.name} has a public address, and plain Modbus has no authentication",
                (*controller.path, "connect"),
                expected="an address on the plant network, such as 10.x, 172.16.x to 172.31.x, or 192.168.x",
                found=controller.host,
                fix="use the address on the plant network, or a tunnel that authenticates",
            )


RULE = Rule("public-address", Level.WARNING, "a controller has a public address", PAGE, check)
