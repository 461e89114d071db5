"""How ``wherry rehearse`` shows its report: first the answer in sentences, then what each party saw as short tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from wherry.cli import output
from wherry.drawing import middle_cut
from wherry.rehearse.report import days_text, faults_by_kind, hours_text, percent_text, worst_faults

UNBROKEN: Final = "\N{NO-BREAK SPACE}"
"""Stands where no line may be broken, until it is."""
HOURS_SHORT: Final = 1
"""What was seen for less than this is no pace to reckon a date from."""
REASONS_SHOWN: Final = 3
"""Reasons that are told of one transfer."""
REASON_ROWS_MAX: Final = 5
"""Transfers of which they are told: those that were not Good for longest."""
ROWS_MAX: Final = 10
"""Rows of a table in the terminal; the saved document has all."""

Report = Mapping[str, Any]


def print_report(report: Report, *, took_s: float, saved_in: str) -> None:
    """The whole report, on stdout."""
    for sentence in head(report, took_s):
        output.sentence(sentence)
    output.data()
    print_broken(report["broken"], report["broken_count"])
    print_transfers(report["transfers"])
    print_commands(report["commands"])
    print_faults(report["faults"])
    print_writes(report["writes"], report["hours"])
    print_controllers(report["controllers"])
    for sentence in foot(report, saved_in):
        output.sentence(sentence)


def head(report: Report, took_s: float) -> list[str]:
    """What was rehearsed, and the answer."""
    asked = report["faults_asked"]
    faults = "no faults" if asked == "none" else f"{output.plural(len(report['faults']), 'fault')} ({asked})"
    speed = f", {report['hours'] * 3600 / took_s:,.0f} times real time" if took_s > 0 else ""
    said = [
        f"{report['title'] or report['plan']}: {hours_text(report['hours'])} of simulated time, {faults}, "
        f"seed {report['seed']}, {output.plural(report['requests'], 'request')}; "
        f"took {span_text(took_s)}{speed}."
    ]
    if report["is_interrupted"]:
        said.append(f"Ended early; {hours_text(report['hours_asked'])} were asked for. What was seen until then:")
    if report["broken_count"]:
        said.append(f"A declared bound was broken: {output.plural(report['broken_count'], 'time')}.")
    else:
        said.append("No declared bound was broken.")
    return said


def print_broken(broken: Sequence[Report], count: int) -> None:
    """Which declared bound was broken, where and when."""
    if not broken:
        return
    for each in broken[:ROWS_MAX]:
        at = "" if each["at_s"] is None else f" at {instant_text(each['at_s'])}"
        output.data(output.paragraph(f"  {each['bound']}, {each['subject']}{at}: {each['message']}", hanging=4))
    if count > min(len(broken), ROWS_MAX):
        output.data(f"  ... and {count - min(len(broken), ROWS_MAX):,} more")
    output.data()


# What each receiver saw.

TRANSFER_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("transfer", "left"), ("from -> to", "left"), ("Good", "right"), ("Uncertain", "right"), ("Bad", "right"),
    ("silent", "right"), ("longest\nnot Good", "right"), ("longest\nnot fresh", "right"), ("oldest\nas Good", "right"),
    ("\nmax_age", "right"),
)  # fmt: skip


def print_transfers(transfers: Mapping[str, Report]) -> None:
    """One row for each transfer, the worst where there are too many."""
    if not transfers:
        return
    output.data("What each receiver saw, in its own registers:\n")
    worst = sorted(transfers.items(), key=lambda item: item[1]["good_share"] if item[1]["has_status"] else 2.0)
    names = {name for name, _ in worst[:ROWS_MAX]}
    output.table(
        TRANSFER_COLUMNS,
        [transfer_row(name, each) for name, each in transfers.items() if name in names],
        drop=(1, 6, 3, 5, 7),
    )
    if len(transfers) > ROWS_MAX:
        output.data(f"... and {len(transfers) - ROWS_MAX:,} more that were Good for longer")
    if any(each["silent_share"] for each in transfers.values()):
        output.sentence(
            "Silent: the heartbeat had stood still for longer than max_age plus one period, whatever the quality "
            "register said. The receiver's own watchdog must see to that."
        )
    blind = [name for name, each in transfers.items() if not each["has_status"]]
    if blind:
        named = ", ".join(blind[:ROWS_MAX]) + (" ..." if len(blind) > ROWS_MAX else "")
        output.sentence(
            f"{named}: no status registers, so the receiver cannot tell old values from new ones; "
            "the ages are what it would have to know."
        )
    print_reasons([(name, each) for name, each in transfers.items() if name in names])
    for sentence in unverified(transfers)[:ROWS_MAX]:
        output.sentence(sentence)
    output.data()


def print_reasons(transfers: Sequence[tuple[str, Report]]) -> None:
    """Why they were not Good, the main reasons of each."""
    told = [(name, each["not_good_reasons"]) for name, each in transfers if each["not_good_reasons"]]
    if not told:
        return
    output.data("\nWhy not Good, in shares of the time in which it was not:\n")
    told.sort(key=lambda item: -sum(each["seconds"] for each in item[1]))
    for name, reasons in told[:REASON_ROWS_MAX]:
        said = [f"{share_text(each['share'])} {each['reason']}" for each in reasons[:REASONS_SHOWN]]
        if len(reasons) > REASONS_SHOWN:
            rest = sum(each["share"] for each in reasons[REASONS_SHOWN:])
            said.append(f"{share_text(rest)} {output.plural(len(reasons) - REASONS_SHOWN, 'other reason')}")
        told_of = output.paragraph(f"  {middle_cut(name)}: {'; '.join(said)}", hanging=4)
        output.data(told_of.replace(UNBROKEN, " "))
    if len(told) > REASON_ROWS_MAX:
        output.data(f"  ... and {len(told) - REASON_ROWS_MAX:,} more")


def share_text(share: float) -> str:
    """A share that is not broken between its number and its sign."""
    return percent_text(share, digits=1).replace(" ", UNBROKEN)


def unverified(transfers: Mapping[str, Report]) -> list[str]:
    """The verified values that the receiver did not hold at the end, and what became of them."""
    return [
        f"{middle_cut(name)}: {value} was {became['words']}, at the end."
        for name, each in transfers.items()
        for value, became in each["verify"].items()
        if became["state"] not in ("verified", None)
    ]


def transfer_row(name: str, each: Report) -> Sequence[str]:
    """One transfer. Without status registers the receiver takes everything as Good."""
    age_ms = each["good_age_ms_max"] if each["has_status"] else each["age_ms_max"]
    return (
        middle_cut(name),
        f"{each['from']} -> {each['to']}",
        percent_text(each["good_share"]),
        *(percent_text(each[f"{state}_share"], digits=2) for state in ("uncertain", "bad", "silent")),
        span_text(each["longest_not_good_s"]) if each["has_status"] else "-",
        span_text(each["without_fresh_s_max"]),
        "-" if age_ms is None else span_text(age_ms / 1000),
        span_text(each["max_age_ms"] / 1000),
    )


def print_commands(commands: Mapping[str, Report]) -> None:
    """What became of the requests of each command; nothing where the plan has none."""
    if not commands:
        return
    output.data("What became of the commands, and how often the receiver's program did something:\n")
    counts = ("requested", "executed", "refused", "expired", "unknown", "carried_out")
    output.table(
        [("command", "left"), *((key.replace("_", " "), "right") for key in counts)],
        [(middle_cut(name), *(f"{each[key]:,}" for key in counts)) for name, each in list(commands.items())[:ROWS_MAX]],
    )
    if len(commands) > ROWS_MAX:
        output.data(f"... and {len(commands) - ROWS_MAX:,} more")
    output.data()


# Faults.

KIND_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("fault", "left"), ("controller", "left"), ("times", "right"), ("together", "right"), ("felt", "right"),
    ("longest effect", "right"),
)  # fmt: skip


def print_faults(faults: Sequence[Report]) -> None:
    """The faults by kind where there are many, and those with the longest effect, with what followed."""
    if not faults:
        return
    if len(faults) > ROWS_MAX:
        output.data("Faults by kind:\n")
        kinds = sorted(faults_by_kind(faults), key=lambda row: -row[4])
        output.table(
            KIND_COLUMNS,
            [
                (kind, middle_cut(controller), f"{count:,}", span_text(together_s), f"{felt:,}", effect_text(longest_s))
                for (kind, controller), count, together_s, felt, longest_s in kinds[: 2 * ROWS_MAX]
            ],
            drop=(3, 4, 1),
        )
        if len(kinds) > 2 * ROWS_MAX:
            output.data(f"... and {len(kinds) - 2 * ROWS_MAX:,} more")
        output.data(f"\nThe {ROWS_MAX} faults with the longest effect, in order of time:\n")
    else:
        output.data("Faults:\n")
    for fault in worst_faults(faults, ROWS_MAX):
        head = f"{fault['number']:>4}  {instant_text(fault['at_s'])}  {fault_text(fault)}"
        output.data(output.paragraph(head, hanging=6))
        output.data(output.paragraph(f"      {followed_text(fault)}", hanging=6))
    output.data()


def effect_text(effect: float) -> str:
    """How long a fault was felt."""
    if math.isinf(effect):
        return "to the end"
    return span_text(effect) if effect else "none"


def fault_text(fault: Report) -> str:
    """What it was and how long it lasted."""
    return f"{fault['text']}, for {span_text(fault['until_s'] - fault['at_s'])}"


def followed_text(fault: Report) -> str:
    """What followed, in as few words as will do: the worst of each transfer and line, and when all was well again."""
    if not fault["followed"]:
        if fault["mended_s"] == fault["until_s"]:
            return "nothing followed: every transfer stayed Good"
        return "nothing new followed: not all was Good before it"
    worst: dict[str, tuple[int, float, str]] = {}
    for each in fault["followed"]:
        subject, state = each["subject"], state_of(each["subject"], each["message"])
        rank = RANKS.get(state, len(RANKS))
        if rank < (worst[subject][0] if subject in worst else len(RANKS)):
            after_s = each["at_s"] - fault["at_s"]
            said_at = f"{subject} {state} " + (f"after {span_text(after_s)}" if after_s else "at once")
            worst[subject] = (rank, each["at_s"], said_at)
    said = [text for _, _, text in sorted(worst.values(), key=lambda each: each[1])]
    mended = fault["mended_s"]
    if mended is None:
        said.append("not all Good again before the end")
    elif mended <= fault["until_s"]:
        said.append("all Good again before its end")
    else:
        said.append(f"all Good again {span_text(mended - fault['until_s'])} after its end")
    return "; ".join(said)


RANKS: Final = {state: rank for rank, state in enumerate(("Bad", "Uncertain", "not connected"))}
"""States worth telling, the worst first."""


def state_of(subject: str, message: str) -> str:
    """``water is Bad: no communication`` -> ``Bad``."""
    return message.removeprefix(f"{subject} is ").partition(":")[0]


# Writes.

WRITE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("place", "left"), ("value", "left"), ("writes", "right"), ("a year", "right"),
    ("storage", "left"), ("stands", "right"), ("worn out", "right"),
)  # fmt: skip


def print_writes(writes: Sequence[Report], hours: float) -> None:
    """How often each place was written, and what that comes to; what is worn out first stands first."""
    if not writes:
        return
    output.data(f"Writes in {hours_text(hours)}, and what they come to if every year were like this:\n")
    rows = [write_row(each) for each in writes[:ROWS_MAX]]
    is_short = hours < HOURS_SHORT and any(each["worn_out_after_days"] is not None for each in writes)
    output.table(WRITE_COLUMNS, rows, drop=(3, 6, 5, 0, 2))
    if len(writes) > ROWS_MAX:
        output.data(
            f"... and {output.plural(len(writes) - ROWS_MAX, 'place')} more that last longer or are written less"
        )
    if is_short:
        output.sentence(
            f"Seen for {hours_text(hours)} only, so no dates: +- is what the pace may be off by chance alone (two "
            "standard deviations of the count). What changes over a day is not in it; rehearse for a day to know more."
        )
    unknown = sum(each["storage"] is None and each["is_worn_out_too_soon"] for each in writes)
    if unknown:
        output.sentence(
            f"Nobody has said how {output.plural(unknown, 'of these places is', 'of these places are')} kept; what "
            "wears out there does so too soon. Declare `storage`, or write on change only."
        )
    output.data()


def write_row(each: Report) -> Sequence[str]:
    """One place."""
    return (
        middle_cut(each["controller"], 18),
        f"{each['place']} ({each['number_first']})",
        middle_cut(each["value"], 18),
        f"{each['writes']:,}",
        f"{each['writes_per_year']:,}",
        each["storage"] or "unknown",
        "-" if each["endurance_writes"] is None else f"{each['endurance_writes']:,}",
        worn_text(each),
    )


def worn_text(each: Report) -> str:
    """When a place is worn out: a date, or, if it was seen for a short time, about when and how uncertain that is."""
    days, on = each["worn_out_after_days"], each["worn_out_on"]
    if days is None:
        return "-"
    if each["seen_hours"] >= HOURS_SHORT:
        return f"in {days_text(days)}" if on is None else str(on)
    off_share = each["pace_uncertainty_share"]
    if off_share is None:
        return "too few seen"
    return f"in {days_text(days)} +-{math.ceil(100 * off_share)} %"


# Load.

CONTROLLER_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("requests", "right"), ("a second", "right"), ("busy", "right"), ("at once", "right"),
    ("connections", "right"), ("turned\naway", "right"), ("refused", "right"), ("no reply", "right"),
)  # fmt: skip


def print_controllers(controllers: Mapping[str, Report]) -> None:
    """What each controller was asked, and how busy that kept it; the busiest where there are too many."""
    output.data("What each controller was asked:\n")
    busiest = sorted(controllers.items(), key=lambda item: -item[1]["utilisation"])
    names = {name for name, _ in busiest[:ROWS_MAX]}
    output.table(
        CONTROLLER_COLUMNS,
        [controller_row(name, each) for name, each in controllers.items() if name in names],
        drop=(8, 6, 7, 5),
    )
    if len(controllers) > ROWS_MAX:
        output.data(f"... and {len(controllers) - ROWS_MAX:,} more that were less busy")
    if any(each["in_flight_max"] > each["in_flight_limit"] for each in controllers.values()):
        output.sentence(
            "At once, beyond a limit: what a controller still had to answer after the time-out was over counts too."
        )
    assumed = [name for name, each in controllers.items() if not each["response_is_declared"]]
    if assumed:
        named = ", ".join(assumed[:ROWS_MAX]) + (" ..." if len(assumed) > ROWS_MAX else "")
        output.sentence(f"Response times are assumed for {named}: declare `response` to make `busy` mean something.")
    output.data()


def controller_row(name: str, each: Report) -> Sequence[str]:
    """One controller; a limit stands behind what it bounds."""
    rate = each["requests_per_s_limit"]
    return (
        middle_cut(name),
        f"{each['requests']:,}",
        f"{each['requests_per_s']:.1f}" + ("" if rate is None else f" of {rate:g}"),
        f"{100 * each['utilisation']:.1f} %",
        f"{each['in_flight_max']} of {each['in_flight_limit']}",
        f"{each['connections']:,}",
        f"{each['connections_refused']:,}",
        f"{sum(each['exceptions'].values()):,}",
        f"{each['unanswered']:,}",
    )


def foot(report: Report, saved_in: str) -> list[str]:
    """Where the rest is, and what this is not."""
    said = []
    if saved_in:
        said.append(f"Everything, and a picture of the ages, is in {output.quoted(saved_in)}.")
    else:
        said.append("`--save DIR` keeps all of it, with a picture of the ages.")
    said.append("Simulated is not proven: this shows how the plan and Wherry behave, not how the site does.")
    return said


# Times.


def instant_text(at_s: float) -> str:
    """An instant of the rehearsal as a clock shows it: ``03:12:44``, ``2d 03:12:44``."""
    whole = int(at_s)
    days, rest = divmod(whole, 86_400)
    clock = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days}d {clock}" if days else clock


def span_text(span_s: float) -> str:
    """A length of time for people."""
    if span_s < 1:
        return "0 s" if not span_s else f"{span_s * 1000:.0f} ms" if span_s >= 0.001 else "<1 ms"
    if span_s < 10:
        return f"{span_s:.2f} s"
    if span_s < 600:
        return f"{span_s:.0f} s"
    if span_s < 7200:
        return f"{int(span_s // 60)} min {int(span_s % 60):02d} s"
    return f"{int(span_s // 3600)} h {int(span_s // 60 % 60):02d} min"
