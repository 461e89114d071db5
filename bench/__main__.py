"""Measure and print a table: ``python -m bench [--only GROUPS] [--quick] [--json FILE] [--markdown]``."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Final

from bench import budget, carry, check, rehearse, scale, start, sweep
from bench.measure import PEERS, QUICK, Row, Settings
from wherry.cli import output

GROUPS: Final[dict[str, Callable[[Settings], Iterable[Row]]]] = {
    "carry": carry.rows,
    "scale": scale.rows,
    "sweep": sweep.rows,
    "check": check.rows,
    "budget": budget.rows,
    "start": start.rows,
    "rehearse": rehearse.rows,
}
NEED_PEERS: Final = {"carry", "scale", "sweep"}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m bench")
    parser.add_argument("--only", default=",".join(GROUPS), help="groups of rows, joined by commas")
    parser.add_argument("--quick", action="store_true", help="short runs, to see that it works")
    parser.add_argument("--json", type=Path, help="write the rows to this file too")
    parser.add_argument("--markdown", action="store_true", help="print the table as docs/performance.md shows it")
    given = parser.parse_args()
    settings = QUICK if given.quick else Settings()
    names = given.only.split(",")
    if unknown := [name for name in names if name not in GROUPS]:
        parser.error(f"there is no group {unknown[0]}; there are {', '.join(GROUPS)}")
    if NEED_PEERS & set(names) and not (PEERS / "load_server").exists():
        parser.error("the C programs are not built: needs a C compiler, pkg-config and libmodbus, then `make bench`")
    rows: list[Row] = []
    for name in names:
        print(f"measuring: {name}", file=sys.stderr)
        rows += GROUPS[name](settings)
    if given.markdown:
        print_markdown(rows)
    else:
        print_table(rows)
    if given.json:
        documents = [asdict(row) | {"is_met": row.is_met} for row in rows]
        given.json.write_text(json.dumps(documents, indent=2) + "\n", encoding="utf-8")
    return 0


HEADINGS: Final = ("what", "measured", "against", "ratio", "aim", "met")
WORDS: Final = {None: "", True: "yes", False: "no"}


def cells(row: Row) -> tuple[str, ...]:
    """What was measured, against what, and whether the aim is met."""
    return (
        row.what + (f" ({row.note})" if row.note else ""),
        row.measured,
        row.against,
        "" if row.ratio is None else f"{row.ratio:.2f}",
        "" if row.aim is None else f"<= {row.aim:g}",
        WORDS[row.is_met],
    )


def print_table(rows: Iterable[Row]) -> None:
    """For people at a terminal."""
    right = {"measured", "ratio", "aim"}
    output.table(
        [(heading, "right" if heading in right else "left") for heading in HEADINGS],
        [cells(row) for row in rows],
        title="Bench: CPU is of the carrying process alone; medians of five or more",
    )


def print_markdown(rows: Iterable[Row]) -> None:
    """For the document."""
    print("| " + " | ".join(HEADINGS) + " |")
    print("| --- | ---: | --- | ---: | ---: | --- |")
    for row in rows:
        print("| " + " | ".join(cells(row)) + " |")


if __name__ == "__main__":
    sys.exit(main())
