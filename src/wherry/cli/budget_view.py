"""How ``wherry budget`` shows a budget: the answer in sentences, then what each party has to do as short tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wherry.budget.words import at_least_text, at_most_text, rate_text, used_text
from wherry.checks.notation import percent
from wherry.cli import output
from wherry.clock import NS_PER_MS
from wherry.drawing import middle_cut
from wherry.plan.durations import duration_text
from wherry.plan.wording import listed
from wherry.timing.budget import UTILISATION_HIGH

ROWS_MAX: Final = 20
"""Rows of a table in the terminal; ``--json`` has all."""
NAMED_MAX: Final = 5
"""Names in a sentence."""

Report = Mapping[str, Any]


def print_report(report: Report, *, saved_in: str = "") -> None:
    """The whole report, on stdout."""
    for sentence in head(report):
        output.sentence(sentence)
    print_lines(report["lines"], report["room"]["controllers"])
    print_transfers(report["transfers"], report["room"]["transfers"])
    print_advice(report["advice"])
    print_talks(report["talks"], report["lines"])
    output.data()
    for sentence in foot(report, saved_in):
        output.sentence(sentence)


def nanoseconds(time_ms: float) -> int:
    """What the document says in milliseconds."""
    return round(time_ms * NS_PER_MS)


def at_most(time_ms: float | None) -> str:
    """A bound; a dash where there is none."""
    return "-" if time_ms is None else at_most_text(nanoseconds(time_ms))


def at_least(time_ms: float | None) -> str:
    """A time that is there; a dash where it is not known."""
    return "-" if time_ms is None else at_least_text(nanoseconds(time_ms))


# The answer.


def head(report: Report) -> list[str]:
    """How it is, in sentences."""
    lines = sorted(report["lines"], key=lambda each: -each["utilisation"])
    said = [f"{report['title'] or report['plan']}: {answer(report)}"]
    if lines:
        said.append(used_sentence(lines))
        said += opening_sentences(lines)
    if report["age_worst_ms"] is not None:
        said.append(age_sentence(report["transfers"], report["age_worst_ms"]))
    said += torn_sentences(report["transfers"])
    said += flapping_sentences(report["transfers"])
    said += room_sentences(report)
    said += assumed_sentences(report)
    return said


def answer(report: Report) -> str:
    """Whether all is in time, and if not, what is not and why."""
    if report["is_in_time"]:
        return "everything is in time, in every period."
    said = []
    if report["over"]:
        said.append(f"{named([line_name(each) for each in report['over']])} cannot keep up")
    if report["late"]:
        periods = "its period" if len(report["late"]) == 1 else "their periods"
        said.append(f"{named(report['late'])} cannot be over within {periods}")
    if report["aged"]:
        said.append(f"{named(report['aged'])} may be older than max_age before it is put")
    return f"not everything is in time: {'; '.join(said)}."


def named(names: Sequence[str]) -> str:
    """Some names in a sentence, and how many more."""
    shown = [middle_cut(each) for each in names[:NAMED_MAX]]
    if len(names) > NAMED_MAX:
        shown.append(f"{len(names) - NAMED_MAX:,} more")
    return listed(shown, last="and")


def line_name(controllers: Sequence[str]) -> str:
    """The controllers of one address."""
    return (
        named(controllers)
        if len(controllers) < 3
        else f"the address of {middle_cut(controllers[0])} and {len(controllers) - 1} more"
    )


def used_sentence(lines: Sequence[Report]) -> str:
    """``hall is 31 % used, skid 6.2 %.``, the most used first."""
    first, rest = lines[0], lines[1:4]
    text = f"{line_name(first['controllers'])} is {used_text(first['utilisation'])} used"
    text += "".join(f", {line_name(each['controllers'])} {used_text(each['utilisation'])}" for each in rest)
    if len(lines) > 4:
        text += f", the other {len(lines) - 4:,} less"
    if first["utilisation"] > 1:
        return f"{text}: more than there is."
    if first["utilisation"] > UTILISATION_HIGH:
        return f"{text}: over {percent(UTILISATION_HIGH)} little is left for a slow answer or another client."
    return f"{text}."


def opening_sentences(lines: Sequence[Report]) -> list[str]:
    """Whose connections do not last, and what that costs."""
    opened = [each for each in lines if each["openings_per_s"]]
    if not opened:
        return []
    most = max(opened, key=lambda each: float(each["opening_ms"]))
    rate = max(each["openings_per_s"] for each in opened)
    names = named([line_name(each["controllers"]) for each in opened])
    return [
        f"The {'connection' if len(opened) == 1 else 'connections'} to {names} may be closed and opened anew between "
        f"two requests, up to {rate_text(rate)} times a second; what is asked for then waits up to "
        f"{at_most(most['opening_ms'])} for that, and all bounds count it."
    ]


def age_sentence(transfers: Mapping[str, Report], worst_ms: float) -> str:
    """How old values get."""
    oldest = [name for name, each in transfers.items() if each["age_worst_ms"] == worst_ms]
    of = "" if len(transfers) == 1 else f"; the oldest are those of {named(oldest)}"
    return f"Every value is at most {at_most(worst_ms)} old in its receiver, until the next one replaces it{of}."


def torn_sentences(transfers: Mapping[str, Report]) -> list[str]:
    """What the bounds count of torn readings, and what they do not."""
    careful = {name: each for name, each in transfers.items() if each["readings"] is not None}
    said = []
    for readings in sorted({each["readings"] for each in careful.values()}):
        names = named([name for name, each in careful.items() if each["readings"] == readings])
        counted = (
            "does not count torn readings: in a period there is time for one only"
            if readings == 1
            else f"counts torn readings that are read again, while one of {readings} in a cycle is whole"
        )
        said.append(
            f"For {names} that {counted}. A cycle that is given up brings nothing, and makes the values older by its "
            "period; how often that happens is up to the source, and has no bound."
        )
    outlasting = [name for name, each in careful.items() if (each["worst_ms"] or 0) >= each["period_ms"]]
    if outlasting:
        said.append(
            f"A cycle of {named(outlasting)} that reads again may outlast its period: the next one is then skipped, "
            "and the ages count that."
        )
    return said


def flapping_sentences(transfers: Mapping[str, Report]) -> list[str]:
    """Whose values may pass max_age between two deliveries, though nothing is wrong."""
    names = [
        name
        for name, each in transfers.items()
        if each["worst_ms"] is not None and each["worst_ms"] + each["period_ms"] > each["max_age_ms"]
    ]
    if not names:
        return []
    return [
        f"The values of {named(names)} may pass max_age before the next ones come, all being well: they then count as "
        "lost for a moment, and the requests that tell the receiver so are not counted here. Lengthen max_age."
    ]


def room_sentences(report: Report) -> list[str]:
    """How much may change before anything is late, or what must change for nothing to be."""
    helps, room = report["room"]["relief"], report["room"]["controllers"]
    if helps is not None:
        slower = [
            f"{middle_cut(each['transfer'])} every {duration_text(nanoseconds(each['then_ms']))} in place of "
            f"{duration_text(nanoseconds(each['period_ms']))}"
            for each in helps["transfers"]
        ]
        more = [f"{len(slower) - NAMED_MAX:,} more (--json has all)"] if len(slower) > NAMED_MAX else []
        fewest = "; slowing down fewer transfers is not enough" if helps["is_fewest"] and len(slower) > 1 else ""
        return [f"Everything is in time with {listed([*slower[:NAMED_MAX], *more], last='and')}{fewest}."]
    limited = {name: each for name, each in room.items() if each["may_take_ms"] is not None}
    if not limited:
        return silent_sentences(report["room"]["silent"])
    name, least = min(limited.items(), key=lambda item: item[1]["may_take_ms"] / item[1]["slowest_ms"])
    return [
        f"{middle_cut(name)} may slow down to {at_least(least['may_take_ms'])} a request (now at most "
        f"{at_most(least['slowest_ms'])}) before anything is late, all others as they are.",
        *silent_sentences(report["room"]["silent"]),
    ]


def silent_sentences(silent: Mapping[str, Report]) -> list[str]:
    """What a unit that does not answer does to the others behind its address."""
    if not silent:
        return []
    name, worst = max(silent.items(), key=lambda item: (len(item[1]["late"]), item[1]["timeout_ms"]))
    if not worst["late"]:
        return ["If one of several units behind an address falls silent, the others stay in time."]
    return [
        f"If {middle_cut(name)} falls silent, {named(worst['late'])} may be late: asking it in vain keeps the others "
        f"of its address waiting for {duration_text(nanoseconds(worst['timeout_ms']))} each time."
    ]


def assumed_sentences(report: Report) -> list[str]:
    """What the bounds rest on that nobody has declared, and what was measured."""
    names, said = report["assumed"]["responses_of"], []
    if report["measured"]:
        said.append(
            f"The response {'time' if len(report['measured']) == 1 else 'times'} of {named(report['measured'])} "
            f"{'was' if len(report['measured']) == 1 else 'were'} measured: the longest that was seen counts as the "
            "longest there is."
        )
    if report["measured_reads_only"]:
        said.append(
            f"{named(report['measured_reads_only'])} could only be read in that run: the bounds take writes to be no "
            "slower than the reads that were seen."
        )
    if not names:
        return said
    return [
        *said,
        f"The response {'time' if len(names) == 1 else 'times'} of {named(names)} "
        f"{'is' if len(names) == 1 else 'are'} assumed, neither declared nor measured.",
    ]


# Tables.

LINE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("\ncontroller", "left"), ("\naddress", "left"), ("requests\na second", "right"), ("\nused", "right"),
    ("longest\nbusy", "right"), ("slowest\nrequest", "right"), ("it may\ntake", "right"), ("longest\nwait", "right"),
    ("\ntraffic", "right"),
)  # fmt: skip


LINE_NAME_COLUMNS: Final = 20


def print_lines(lines: Sequence[Report], room: Mapping[str, Report]) -> None:
    """One row for each address, those that are used most where there are too many."""
    if not lines:
        return
    output.data("\nWhat each controller is asked:\n")
    most = sorted(lines, key=lambda each: -each["utilisation"])[:ROWS_MAX]
    output.table(LINE_COLUMNS, [line_row(each, room) for each in lines if each in most], shrink=(0, 1), drop=(8, 4, 5))
    if len(lines) > ROWS_MAX:
        output.data(f"... and {len(lines) - ROWS_MAX:,} more that are used less")


def line_row(line: Report, room: Mapping[str, Report]) -> Sequence[str]:
    """One address."""
    margins = [room[name]["may_take_ms"] for name in line["controllers"] if name in room]
    limits = [each for each in margins if each is not None]
    regular = [each for each in line["requests"] if not each["is_rare"]]
    worst = [each["worst_ms"] for each in regular]
    return (
        middle_cut(", ".join(line["controllers"]), LINE_NAME_COLUMNS),
        f"{line['host']}:{line['port']}",
        rate_text(line["requests_per_s"]),
        used_text(line["utilisation"]),
        at_most(line["longest_busy_ms"]),
        at_most(max((each["service_ms"] for each in regular), default=None)),
        at_least(min(limits)) if limits else ("any" if margins else "-"),
        "-" if None in worst else at_most(max(worst, default=None)),
        bytes_text(line["bytes_per_s"]),
    )


def bytes_text(per_s: float) -> str:
    """``1.6 kB/s``."""
    for unit, size in (("MB/s", 1e6), ("kB/s", 1e3)):
        if per_s >= size:
            return f"{per_s / size:.1f} {unit}"
    return f"{per_s:.0f} B/s"


TRANSFER_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("\ntransfer", "left"), ("\nfrom -> to", "left"), ("\nevery", "right"), ("could be\nevery", "right"),
    ("longest\ncycle", "right"), ("oldest\nvalue", "right"), ("usual\nage", "right"), ("loss\ntold in", "right"),
    ("heartbeat\nmoves in", "right"),
)  # fmt: skip


def print_transfers(transfers: Mapping[str, Report], room: Mapping[str, Report]) -> None:
    """One row for each transfer, those with the least in reserve where there are too many; then what decides."""
    if not transfers:
        return
    output.data("\nWhat each transfer comes to:\n")
    tight = sorted(transfers.items(), key=lambda item: -share_of_period(item[1]))[:ROWS_MAX]
    names = {name for name, _ in tight}
    output.table(
        TRANSFER_COLUMNS,
        [transfer_row(name, each, room) for name, each in transfers.items() if name in names],
        drop=(1, 6, 8, 3),
    )
    if len(transfers) > ROWS_MAX:
        output.data(f"... and {len(transfers) - ROWS_MAX:,} more with more in reserve")
    name, each = tight[0]
    if each["deciding"] is not None:
        output.sentence(deciding_sentence(name, each))
    for sentence in untold_sentences(transfers):
        output.sentence(sentence)


def untold_sentences(transfers: Mapping[str, Report]) -> list[str]:
    """Where status registers tell of a lost source, but nobody can say how soon."""
    why: dict[str, list[str]] = {}
    for name, each in transfers.items():
        if each["source_lost_why_not"]:
            why.setdefault(each["source_lost_why_not"], []).append(name)
    return [
        f"How soon the loss of the source of {named(names)} is told has no bound: {words}."
        for words, names in why.items()
    ]


def share_of_period(transfer: Report) -> float:
    """How much of its period a transfer takes; more than anything without a bound."""
    return float("inf") if transfer["whole_ms"] is None else float(transfer["whole_ms"] / transfer["period_ms"])


def transfer_row(name: str, each: Report, room: Mapping[str, Report]) -> Sequence[str]:
    """One transfer."""
    shortest_ms = room[name]["shortest_ms"] if name in room else None
    return (
        middle_cut(name),
        f"{each['from']} -> {each['to']}",
        duration_text(nanoseconds(each["period_ms"])),
        "-" if shortest_ms is None else duration_text(nanoseconds(shortest_ms)),
        at_most(each["worst_ms"]),
        at_most(each["age_worst_ms"]),
        at_most(each["age_typical_ms"]),
        at_most(each["source_lost_told_ms"]),
        at_most(each["heartbeat_gap_ms"]),
    )


def deciding_sentence(name: str, transfer: Report) -> str:
    """Which request takes most of the period of the transfer that has the least in reserve."""
    request = transfer["deciding"]
    if request["worst_ms"] is None:
        return (
            f"{middle_cut(name)} has no bound: {request_text(request)} is asked for more often than its line can serve."
        )
    waits_ms = max(0.0, request["worst_ms"] - request["service_ms"])
    waits = f"of which it waits {at_most(waits_ms)} until it is sent" if waits_ms else "and it waits for no other"
    return (
        f"{middle_cut(name)} has the least in reserve: it takes up to {used_text(share_of_period(transfer))} of its "
        f"period. Most of that is {request_text(request)}: at most {at_most(request['worst_ms'])}, {waits}."
    )


def request_text(request: Report) -> str:
    """``the write of holding 100..102 (40101..40103) at hall``."""
    last = request["address"] + request["count"] - 1
    run = "" if request["count"] == 1 else f"..{last}"
    numbers = (
        request["number_first"] if request["count"] == 1 else f"{request['number_first']}..{request['number_last']}"
    )
    place = f"{request['table']} {request['address']}{run} ({numbers})"
    return f"the {request['action']} of {place} at {middle_cut(request['controller'])}"


def print_advice(advice: Sequence[Report]) -> None:
    """What would save requests, the best first."""
    if not advice:
        return
    output.data("\nWhat would save requests:\n")
    for number, each in enumerate(advice, 1):
        output.sentence(f"{number}. {advice_sentence(each)}")


def advice_sentence(advice: Report) -> str:
    """What to do, and what it saves."""
    words = advice["words"]
    busy_ns, age_ns = nanoseconds(advice["busy_saved_ms_per_s"]), nanoseconds(advice["age_saved_ms"] or 0)
    saved = f"{rate_text(advice['requests_saved_per_s'])} requests a second fewer"
    if busy_ns > 0:
        saved += f", {at_least_text(busy_ns)} of each second"
    if age_ns > 0:
        saved += f", and the oldest value of {middle_cut(advice['age_saved_of'])} {at_least_text(age_ns)} younger"
    return f"{words[:1].upper()}{words[1:]}: {saved}."


TALK_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("from", "left"), ("to", "left"), ("port", "right"), ("protocol", "left"), ("connections", "right"),
    ("function codes", "left"), ("writes", "left"), ("controller", "left"),
)  # fmt: skip


def print_talks(talks: Sequence[Report], lines: Sequence[Report]) -> None:
    """For the firewall, and what the network has to carry."""
    if not talks:
        return
    output.data("\nWho talks to whom, for the firewall:\n")
    output.table(
        TALK_COLUMNS,
        [
            (
                "this computer", each["to"], str(each["port"]), each["protocol"], str(each["connections"]),
                " ".join(f"{code:02X}" for code in each["functions"]), "yes" if each["writes"] else "no",
                middle_cut(", ".join(each["controllers"])),
            )
            for each in talks[:ROWS_MAX]
        ],
        shrink=(7,),
        drop=(0, 3),
    )  # fmt: skip
    if len(talks) > ROWS_MAX:
        output.data(f"... and {len(talks) - ROWS_MAX:,} more (--json has all)")
    bytes_per_s, frames_per_s = (sum(each[key] for each in lines) for key in ("bytes_per_s", "frames_per_s"))
    output.sentence(
        "All connections are opened from this computer; function codes are hexadecimal. The network carries "
        f"{bytes_text(bytes_per_s)} in {rate_text(frames_per_s)} frames a second for it, both directions together."
    )


def foot(report: Report, saved_in: str) -> list[str]:
    """What it rests on, and where the rest is."""
    each_way = duration_text(nanoseconds(report["assumed"]["latency_ms"]))
    where = (
        f"The document and the pictures are in {output.quoted(saved_in)}."
        if saved_in
        else "`--save DIR` draws the requests and the ages, `--json` has every request and every value."
    )
    return [
        where,
        "These are bounds, not measurements: they hold while every answer comes within its response time, the network "
        f"takes at most {each_way} each way, and nothing is lost. What they leave out is in docs/budget.md.",
    ]
