"""How ``wherry budget --exchange-block`` shows a proposal: what it brings, the block, what moves, what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wherry.budget.words import rate_text, used_text
from wherry.cli import output
from wherry.cli.budget_view import at_most, line_name, named, nanoseconds
from wherry.drawing import middle_cut
from wherry.plan.durations import duration_text

ROWS_MAX: Final = 20
"""Rows of a table in the terminal; the CSV and ``--json`` have all."""

Report = Mapping[str, Any]


def print_block(report: Report) -> None:
    """The whole proposal, on stdout."""
    for sentence in head(report):
        output.sentence(sentence)
    print_parts(report["blocks"])
    print_transfers(report["transfers"])
    print_moves(report["moves"])
    output.data()
    for sentence in foot(report):
        output.sentence(sentence)


def head(report: Report) -> list[str]:
    """What the block brings."""
    where = named(list(report["blocks"]))
    title = report["title"] or report["plan"]
    changed = [each for each in report["lines"] if is_changed(each["requests_per_s"])]
    if not changed:
        return [
            f"{title}: a block in {where} saves no request; the values stand as close as they can already. Leave them "
            "where they are: what follows is what a block would be, and brings nothing."
        ]
    said = []
    for each in sorted(changed, key=lambda each: each["requests_per_s"]["becomes"] - each["requests_per_s"]["was"]):
        rate, used = each["requests_per_s"], each["utilisation"]
        said.append(
            f"{line_name(each['controllers'])} is asked {rate_text(rate['becomes'])} times a second in place of "
            f"{rate_text(rate['was'])}, and is {used_text(used['becomes'])} used in place of {used_text(used['was'])}"
        )
    return [f"{title}, with a block in {where}: {'; '.join(said[:3])}."]


def is_changed(figure: Report) -> bool:
    """Whether the block makes a difference to it."""
    return bool(figure["was"] != figure["becomes"])


PART_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("places", "left"), ("numbers", "left"), ("count", "right"), ("what", "left"),
)  # fmt: skip


def print_parts(blocks: Mapping[str, Sequence[Report]]) -> None:
    """The runs of addresses that the engineer sets aside."""
    output.data("\nThe block:\n")
    rows = [(name, each) for name, parts in blocks.items() for each in parts]
    output.table(PART_COLUMNS, [part_row(name, each) for name, each in rows[:ROWS_MAX]], shrink=(4, 0), drop=(2,))
    if len(rows) > ROWS_MAX:
        output.data(f"... and {len(rows) - ROWS_MAX:,} more (--json has all)")


def part_row(name: str, part: Report) -> Sequence[str]:
    """One run."""
    last = part["address"] + part["count"] - 1
    is_one = part["count"] == 1
    every = "" if part["period_ms"] is None else f" every {duration_text(nanoseconds(part['period_ms']))}"
    return (
        middle_cut(name),
        f"{part['table']} {part['address']}" + ("" if is_one else f"..{last}"),
        part["number_first"] if is_one else f"{part['number_first']}..{part['number_last']}",
        str(part["count"]),
        f"{'put by' if part['side'] == 'put' else 'taken by'} {named(part['transfers'])}{every}",
    )


AGE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("\ntransfer", "left"), ("longest cycle\nwas", "right"), ("\nbecomes", "right"), ("oldest value\nwas", "right"),
    ("\nbecomes", "right"), ("usual age\nwas", "right"), ("\nbecomes", "right"),
)  # fmt: skip


def print_transfers(transfers: Mapping[str, Report]) -> None:
    """What becomes of the transfers that change."""
    rows = []
    for name, each in transfers.items():
        figures = (each["worst_ms"], each["age_worst_ms"], each["age_typical_ms"])
        if any(is_changed(figure) for figure in figures):
            rows.append((middle_cut(name), *(at_most(one[side]) for one in figures for side in ("was", "becomes"))))
    if not rows:
        return
    output.data("\nWhat it comes to:\n")
    output.table(AGE_COLUMNS, rows[:ROWS_MAX], shrink=(0,))
    if len(rows) > ROWS_MAX:
        output.data(f"... and {len(rows) - ROWS_MAX:,} more (--json has all)")


MOVE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("transfer", "left"), ("value", "left"), ("was", "left"), ("becomes", "left"),
)  # fmt: skip


def print_moves(moves: Sequence[Report]) -> None:
    """Where each value was and where it will be."""
    output.data("\nWhat moves:\n")
    rows = [
        (middle_cut(each["controller"]), middle_cut(each["transfer"]), middle_cut(each["value"]),
         each["old"] or "(new)", each["new"])
        for each in moves[:ROWS_MAX]
    ]  # fmt: skip
    output.table(MOVE_COLUMNS, rows, shrink=(2, 1, 0), drop=(1,))
    if len(moves) > ROWS_MAX:
        output.data(f"... and {len(moves) - ROWS_MAX:,} more (--json has all, and the CSV that --save writes)")


def foot(report: Report) -> list[str]:
    """What is to be done."""
    said = []
    news = sorted({each["controller"] for each in report["moves"] if each["value"] == "alive" and not each["old"]})
    if news:
        said.append(
            f"{'The program' if len(news) == 1 else 'The programs'} of {named(news)} must keep counting up the new "
            "heartbeat: while it stands still, the values count as lost."
        )
    if report["reordered"]:
        said.append(
            f"The rows of {named(list(report['reordered']))} stand in another order, and what is put is put in the "
            "order of its rows: if one of them is a trigger, let the program wait for the sequence register instead, "
            "which comes last."
        )
    if report["saved"]:
        said.append(f"Written: {named_files(report['saved'])}; the plan passes its check.")
    else:
        said.append("Nothing was written: `--save DIR` writes the plan with the new places, and the mapping as CSV.")
    said.append("Change the programs of the controllers first, then the plan; nothing else may use the block's places.")
    return said


def named_files(names: Sequence[str]) -> str:
    """Some files in a sentence, and how many more."""
    shown = [output.quoted(each) for each in names[:ROWS_MAX]]
    return ", ".join(shown) + (f" and {len(names) - ROWS_MAX:,} more" if len(names) > ROWS_MAX else "")
