"""How ``wherry survey`` asks before it begins, and how it shows what it found."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from wherry.cli import output
from wherry.clock import NS_PER_S
from wherry.plan.model import Span, reference_number
from wherry.plan.profile import Fact, Profile
from wherry.plan.wording import listed
from wherry.survey.asking import Phase
from wherry.survey.compare import Change
from wherry.survey.found import Found, Looked, Settings
from wherry.survey.picture import key_of, rows_of, shown_of
from wherry.survey.watching import Motion

SPANS_MAX: Final = 8
"""Runs of addresses that are listed; the profile has all of them."""

FACTS: Sequence[tuple[str, output.Justify]] = (
    ("fact", "left"), ("value", "left"), ("found", "left"), ("how", "left"),
)  # fmt: skip
CHANGES: Sequence[tuple[str, output.Justify]] = (
    ("changed", "left"), ("before", "left"), ("now", "left"), ("", "left"),
)  # fmt: skip


class Teller:
    """Tells whoever waits what is being done, and how far it is."""

    def __init__(self, settings: Settings, on_progress: Callable[[float], None]) -> None:
        self._budget = settings.budget
        self._on_progress = on_progress

    def phase(self, phase: Phase) -> None:
        """Something else begins."""
        output.talk(f"... {phase.words}")

    def requests(self, count: int) -> None:
        """So many requests were sent."""
        self._on_progress(min(1.0, count / self._budget))


def tell_before(settings: Settings, at: str, rate: float) -> None:
    """What will be sent, and what that may do, on stderr."""
    tables = listed(map(str, settings.tables), last="and")
    ranges = listed([f"{low} to {high - 1}" for low, high in settings.ranges], last="and")
    minutes = settings.budget / rate / 60
    tries = [words for is_on, words in (
        (settings.in_flight, "several requests at once"), (settings.connections, "more connections"),
    ) if is_on]  # fmt: skip
    for text in (
        f"{at} is to be surveyed: units {listed(map(str, settings.units), last='and')}; {tables}, addresses {ranges}.",
        f"At most {settings.budget:,} requests leave, at most {rate:g} a second on average (so within some "
        f"{max(1, round(minutes))} min), one at a time. All of them read: functions 01 to 04, 07, 08/00, 0B, 11 and "
        "2B/0E; nothing else can leave. It stops at once when the controller gets slower or drops the connection.",
        "Reading can disturb too: a small controller may restart or slow down, bits may be cleared by being read, and "
        "the survey may take the only connection from the client that runs the plant. Choose a safe moment.",
    ):  # fmt: skip
        output.talk(output.lines_of(text, hanging=2, to_stderr=True))
    if tries:
        output.talk(output.lines_of(f"Also tried, as you asked: {listed(tries, last='and')}.", to_stderr=True))


def show(found: Found, profile: Profile, changes: Sequence[Change] | None) -> None:
    """Everything, on stdout: the changes first where they were asked for."""
    if found.ended:
        output.sentence(f"It ended early: {found.ended}. What was found until then:")
    output.sentence(
        f"{profile.title}: unit {found.unit}, {output.plural(found.requests, 'request')} in "
        f"{found.elapsed_ns / NS_PER_S:.0f} s, {output.plural(found.connects, 'connection')}."
    )
    output.data()
    if changes is not None:
        show_changes(changes)
    rows = [*_facts("", profile.device), *_facts("limit: ", profile.limits), *_facts("response: ", profile.response)]
    output.table(FACTS, rows, shrink=(3,))
    output.data()
    for looked in found.looked:
        show_table(looked)
    show_picture(found)


def show_changes(changes: Sequence[Change]) -> None:
    """What is otherwise than in the profile from before."""
    if not changes:
        output.sentence("Nothing has changed since the profile from before, as far as both looked.")
        output.data()
        return
    grave = sum(1 for each in changes if each.is_grave)
    output.sentence(f"{output.plural(len(changes), 'change')} since the profile from before, {grave} of them grave:")
    rows = [(each.what, each.before, each.now, "grave" if each.is_grave else "") for each in changes]
    output.table(CHANGES, rows, shrink=(2, 1))
    if grave:
        output.sentence(
            "What was proved with this device must be proved again before anything is written to it: its map or its "
            "limits are not what they were."
        )
    output.data()


def _facts(prefix: str, facts: Mapping[str, Fact]) -> list[tuple[str, str, str, str]]:
    rows = []
    for name, fact in facts.items():
        value = ", ".join(map(str, fact.value)) if isinstance(fact.value, list) else str(fact.value)
        if fact.low and fact.high:
            value = f"{value} ({fact.low} to {fact.high})"
        rows.append((f"{prefix}{name.replace('_', ' ')}", value, str(fact.how), fact.by))
    return rows


def show_table(looked: Looked) -> None:
    """What is known of one run of addresses, in sentences."""
    items = looked.items
    where = f"{items.table} {items.low} to {items.high - 1}"
    if looked.refusal and not looked.readable:
        output.sentence(f"{where}: nothing ({looked.refusal}).")
        if looked.absent and looked.unlooked:
            output.sentence(f"  not looked at: {spans_text(looked.unlooked)}")
        return
    count = sum(span.count for span in looked.readable)
    kind = "bits" if items.table.is_bits else "registers"
    limit = ""
    if looked.limit is not None:
        limit = f", {'at most' if looked.limit.is_proved else 'at least'} {looked.limit.count} at once"
    said = f"{where}: {count:,} {kind} can be read{limit}"
    if looked.holes is not None:
        said += f"; holes, `{looked.holes}`: it {looked.holes.words}"
    output.sentence(f"{said}.")
    for words, spans in (
        ("readable", looked.readable),
        ("counts", looked.moving(Motion.COUNTS_UP, Motion.COUNTS_DOWN)),
        ("moves", looked.moving(Motion.MOVES)),
        ("unsafe: no read may reach over it", looked.unsafe),
        ("reads as zero, may not exist", looked.doubtful),
        ("not looked at", looked.unlooked),
    ):
        if spans:
            output.sentence(f"  {words}: {spans_text(spans)}")
    for each in looked.contradictions:
        output.sentence(f"  does not fit: {each}")


def spans_text(spans: Sequence[Span]) -> str:
    """Runs of addresses, the first with its reference number as well."""
    texts = [str(span).partition(" ")[2] for span in spans[:SPANS_MAX]]
    more = len(spans) - SPANS_MAX
    first = reference_number(spans[0].table, spans[0].start)
    return f"{', '.join(texts)}{f' and {more} more' if more > 0 else ''} (the first is {first})"


def show_picture(found: Found) -> None:
    """The address space by letters."""
    shown = [(looked, rows_of(looked)) for looked in shown_of(found) if looked.readable or looked.doubtful]
    if not shown:
        return
    output.data()
    for looked, rows in shown:
        step = rows[0].step
        output.data(f"{looked.items.table}{f', {step} addresses in each place' if step > 1 else ''}")
        for row in rows:
            output.data(f"{row.start:>6} {''.join(row.cells)}")
    for cell, words in key_of([row for _, rows in shown for row in rows]):
        output.data(f"       {cell} {words}")


def units_text(found: Found) -> str:
    """What became of each unit that was asked."""
    return "; ".join(f"unit {unit} {said}" for unit, said in found.units.items()) or "nothing was asked"
