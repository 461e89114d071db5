"""``wherry budget --exchange-block``: a compact block for controllers whose program the engineer writes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from wherry.budget.block_document import block_document, mapping_csv
from wherry.budget.block_files import must_mean, write_all
from wherry.budget.exchange_block import changed, propose
from wherry.budget.rewrite import rewritten
from wherry.cli import budget_block_view, output
from wherry.cli.output import Exit
from wherry.errors import LocalError
from wherry.limits import ADDRESS_MAX
from wherry.plan.document import Document
from wherry.plan.model import Plan
from wherry.plan.wording import listed, nearest
from wherry.timing.budget import budget
from wherry.timing.conditions import Measured

MAPPING_FILE: Final = "exchange-block.csv"


def exchange_block(
    document: Document,
    plan: Plan,
    names: Sequence[str],
    measured: Measured | None,
    *,
    save: Path | None,
    force: bool,
    json: bool,
    permitted: frozenset[str],
) -> int:
    """Propose a block, show it, and write it down if asked to."""
    proposal = propose(plan, starts_of(names, plan))
    new = changed(plan, proposal)
    answer: dict[str, Any] = block_document(plan, proposal, budget(plan, measured), budget(new, measured))
    saved: list[Path] = []
    if save is not None:
        files = rewritten(document, plan, proposal)
        name = next(iter(files))
        if MAPPING_FILE in files:
            raise LocalError(f"a list of the plan is called {MAPPING_FILE}, as the mapping would be: rename it")
        files[MAPPING_FILE] = mapping_csv(answer["moves"])
        saved = write_all(save, files, over_others=force, judge=lambda apart: must_mean(new, apart / name, permitted))
    answer["saved"] = [str(each) for each in saved]
    answer["exit_code"] = int(Exit.OK)
    if json:
        output.json_document(answer)
    else:
        budget_block_view.print_block(answer)
    return Exit.OK


def starts_of(names: Sequence[str], plan: Plan) -> dict[str, int | None]:
    """Controllers and where their blocks begin: ``hall``, ``hall:1000``. LocalError if one cannot be meant."""
    known = [each.name for each in plan.controllers]
    starts: dict[str, int | None] = {}
    for text in names:
        name, colon, start = (text, "", "") if text in known else text.rpartition(":")
        if not colon and text not in known:
            name = text
        if name not in known:
            near = nearest(name, known)
            raise LocalError(
                f"there is no controller `{name}` for a block: "
                + (f"write `{near}`" if near else f"write {listed([f'`{each}`' for each in known[:12]])}")
            )
        if name in starts:
            raise LocalError(f"{name} is named twice for a block: name it once")
        if colon and not (start.isascii() and start.isdigit() and int(start[:6]) <= ADDRESS_MAX and len(start) < 6):
            raise LocalError(
                f"`{start}` is no address for the block of {name}: write a number from 0 to {ADDRESS_MAX}, "
                f"such as {name}:1000"
            )
        starts[name] = int(start) if colon else None
    return starts
