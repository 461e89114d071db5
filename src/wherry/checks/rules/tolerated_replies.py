"""Replies that break the rules and are taken all the same."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Controller, Framing
from wherry.plan.wording import listed
from wherry.protocol.tolerance import ID_TOLERANCES, Tolerance

PAGE = """\
### What it finds

Every controller with `tolerate`; an error where it cannot be: two ways of counting transaction ids at once, or any of
it behind RTU framing, which has no transaction ids and tells units apart by nothing else.

### Why it matters

The transaction id is what tells a late reply from the right one. Without it a reply that comes twice, or one of another
client behind a bad gateway, is taken for the answer. One request at a time and a new connection after every time-out
keep that rare; they do not make it impossible. So nothing of this controller is better than Uncertain.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
tolerate = ["transaction id 0"]
#           ^^^^^^^^^^^^^^^^^^

[controller.hall]
connect = "tcp://10.20.0.12"

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
connect = "tcp://10.20.0.12"

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

Ask the maker for firmware that sends the transaction id of the request back. Until there is one, keep the tolerance,
name it in the papers, and let the receiver judge the values itself.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        for index, word in enumerate(controller.tolerate):
            yield _finding(controller, index, word)


def _finding(controller: Controller, index: int, word: Tolerance) -> Finding:
    path = (*controller.path, "tolerate", index)
    ids = [each for each in controller.tolerate if each in ID_TOLERANCES]
    if controller.framing is Framing.RTU:
        return RULE.finding(
            f"{controller.name} has RTU framing, where `{word}` cannot be tolerated",
            path,
            level=Level.ERROR,
            expected="no `tolerate`",
            found=str(word),
            fix="take `tolerate` away",
        )
    if word in ids[1:]:
        return RULE.finding(
            f"{controller.name} cannot count transaction ids in two ways",
            path,
            level=Level.ERROR,
            expected="one of them",
            found=listed((str(each) for each in ids), last="and"),
            fix="keep the one that the reason of a refused connection names",
        )
    return RULE.finding(
        f"replies of {controller.name} are taken although they {word.words}, and its values are never Good",
        path,
        expected="replies with the ids of their requests",
        found=str(word),
        fix="ask the maker for firmware that sends the id of the request back",
    )


RULE = Rule("tolerated-replies", Level.WARNING, "replies that break the rules are taken", PAGE, check)
