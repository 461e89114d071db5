"""From a report's document to what both papers, HTML and PDF, print: headings, tables of text, plots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wherry.paper.report_plots import plots

KIND_TITLES: Final = {"rehearsal": "REHEARSAL on simulated controllers", "site": "SITE"}
KIND_SENTENCES: Final = {
    "rehearsal": "All of this was seen on simulated controllers, in virtual time. It proves the plan, not the plant.",
    "site": "All of this was seen on the controllers at the plan's addresses.",
}
LAST_MAX: Final = 14
"""Characters of a last value that are printed; plain registers can be many."""
Heads = Sequence[tuple[str, bool]]
"""Each heading, and whether numbers stand below it."""


def pages(report: Mapping[str, Any]) -> dict[str, Any]:
    """What the templates print."""
    return {
        "title": report["title"],
        "kind_title": KIND_TITLES[report["kind"]],
        "kind_sentence": KIND_SENTENCES[report["kind"]],
        "summary": report["summary"],
        "cautions": report["cautions"],
        "sources": _sources(report),
        "tables": [
            _criteria(report),
            _transfers(report),
            _points(report),
            _controllers(report),
            _proof(report),
            _events(report),
        ],
        "plots": list(plots(report).items()),
        "not_tested": report["not_tested"],
        "tolerances": report["tolerances"],
    }


def _sources(report: Mapping[str, Any]) -> list[tuple[str, str]]:
    record, plan, command = report["record"], report["plan"], report["command"]
    lines = [
        ("record", f"{record['file']}, {record['entries']:,} entries, {record['seal']}"),
        ("head of the record", f"{record['entries']} {record['head']}"),
        ("part of it", f"the command of entry {record['session']}, one of {record['sessions']}"),
        ("plan", plan["file"].replace("\\", "/").rsplit("/", 1)[-1]),
        ("SHA-256 of the plan", plan["digest"]),
        ("command", f"wherry {command['by']}, version {command['version']}"),
        ("armed", ", ".join(command["armed"]) or "nothing: only read"),
    ]
    if command["opened_utc"] is not None:
        lines.append(("from (UTC)", command["opened_utc"]))
        lines.append(("to (UTC)", command["closed_utc"] or "did not end by itself"))
    if command["seed"] is not None:
        lines.append(("seed and faults", f"{command['seed']}, {command['faults']}"))
    return lines


def _table(title: str, heads: Heads, rows: Sequence[Sequence[str]], note: str = "") -> dict[str, Any]:
    return {
        "title": title,
        "heads": [{"text": text, "is_number": is_number} for text, is_number in heads],
        "rows": [list(row) for row in rows],
        "note": note,
    }


def _criteria(report: Mapping[str, Any]) -> dict[str, Any]:
    heads = [("of", False), ("criterion", False), ("wanted", False), ("seen", False), ("result", False)]
    rows = [[each[key] for key in ("subject", "criterion", "wanted", "seen", "result")] for each in report["criteria"]]
    return _table("Criteria of the plan, and what was seen", heads, rows)


def _transfers(report: Mapping[str, Any]) -> dict[str, Any]:
    heads = [
        ("transfer", False),
        ("from -> to", False),
        ("every", True),
        ("scheduled", True),
        ("delivered", True),
        ("skipped", True),
        ("failed", True),
        ("times lost", True),
        ("Good", True),
    ]
    rows = [
        [
            each["name"],
            f"{each['from']} -> {each['to']}",
            f"{each['period_ms']:g} ms",
            *(f"{each[key]:,}" for key in ("scheduled", "delivered", "skipped", "failed", "losses")),
            "-" if each["good_share"] is None else f"{100 * each['good_share']:.3f} %",
        ]
        for each in report["transfers"]
    ]
    return _table("Transfers", heads, rows)


def _points(report: Mapping[str, Any]) -> dict[str, Any]:
    heads = [
        ("transfer", False),
        ("value", False),
        ("taken from", False),
        ("put to", False),
        ("unit", False),
        ("samples", True),
        ("not Good", True),
        ("lowest", True),
        ("highest", True),
        ("last", True),
    ]
    rows = [
        [
            each["transfer"],
            each["name"],
            each["take"],
            each["put"],
            each["unit"],
            f"{each['samples']:,}",
            f"{each['not_good']:,}",
            _number(each["lowest"]),
            _number(each["highest"]),
            each["last"] if len(each["last"]) <= LAST_MAX else f"{each['last'][: LAST_MAX - 3]}...",
        ]
        for each in report["points"]
    ]
    note = "Samples are written down when a value differs from the one before; lowest and highest are of Good ones."
    return _table("Points", heads, rows, note)


def _number(number: float | None) -> str:
    return "" if number is None else f"{number:.6g}"


def _controllers(report: Mapping[str, Any]) -> dict[str, Any]:
    counts = ("requests", "replies", "exceptions", "timeouts", "late_replies", "foreign_replies")
    heads = [("controller", False), *((each.replace("_", " "), True) for each in counts)]
    heads += [("response p50", True), ("p99", True), ("largest", True)]
    rows = [
        [
            each["name"],
            *(f"{each.get(key, 0):,}" for key in counts),
            *(_ms(each["response_ms"][key]) for key in ("p50", "p99", "max")),
        ]
        for each in report["controllers"]
    ]
    return _table("Controllers", heads, rows)


def _ms(time_ms: float | None) -> str:
    return "-" if time_ms is None else f"{time_ms:.1f} ms"


def _proof(report: Mapping[str, Any]) -> dict[str, Any]:
    rows = [[str(each["entry"]), each["step"], each["result"]] for each in report["proof_steps"]]
    return _table("Steps of a proof", [("entry", True), ("step", False), ("result", False)], rows)


def _events(report: Mapping[str, Any]) -> dict[str, Any]:
    rows = [
        [str(each["entry"]), f"{each['at_s']:.3f} s", each["utc"] or "", each["message"]] for each in report["events"]
    ]
    count, shown = report["events_count"], len(report["events"])
    note = "" if count == shown else f"The first and the last {shown // 2} of {count:,}; the record has them all."
    heads = [("entry", True), ("after", True), ("UTC", False), ("event", False)]
    if all(not row[2] for row in rows):
        heads = [heads[0], heads[1], heads[3]]
        rows = [[row[0], row[1], row[3]] for row in rows]
    return _table("Events", heads, rows, note)
