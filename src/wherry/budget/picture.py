"""Two pictures of a budget: how the requests follow one another at each address, and how the ages of values rise and
fall. Both show one course of things in which every request takes as long as it may, with the bounds beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wherry.budget.timeline import Bar, Timeline, ages_window, requests_window, timeline
from wherry.budget.words import at_most_text, used_text
from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.drawing import cut, middle_cut, pictured
from wherry.plan.durations import duration_text
from wherry.timing.budget import Budget, LineBudget, TransferBudget

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINES_MAX: Final = 8
"""Panels of the first picture; of more addresses those that are used most."""
ROWS_MAX: Final = 6
"""Rows of one panel, a transfer each; the last one holds the others where there are more."""
TRANSFERS_MAX: Final = 8
"""Panels of the second picture; of more transfers those with the oldest values beside their period."""
WIDTH_INCHES: Final = 11.0
LEFT_INCHES: Final = 1.75
RIGHT_INCHES: Final = 1.25
THINNEST: Final = 0.0015
"""Least width of a bar, as a share of the axis: somewhat more than a pixel."""
BAR_HEIGHT: Final = 0.56
READ: Final[dict[str, Any]] = {"facecolor": "white", "edgecolor": "black", "lw": 0.6}
WRITE: Final[dict[str, Any]] = {"facecolor": "0.45", "edgecolor": "black", "lw": 0.6}
WAIT: Final[dict[str, Any]] = {"color": "0.35", "lw": 0.8, "zorder": 2}


def pictures(budget: Budget) -> dict[str, bytes]:
    """File name -> content: ``timeline.svg``, ``timeline.png``, ``ages.svg``, ``ages.png``.

    Empty for a plan that nothing is released by.
    """
    system = budget.system
    if not system.tasks:
        return {}
    requests = timeline(system, requests_window(system))
    made = {f"timeline.{kind}": data for kind, data in pictured(lambda: draw_timeline(budget, requests)).items()}
    if budget.transfers:
        ages = timeline(system, ages_window(system))
        made |= {f"ages.{kind}": data for kind, data in pictured(lambda: draw_ages(budget, ages)).items()}
    return made


@dataclass(frozen=True)
class Scale:
    """The time axis, from 0 to ``end`` in a unit."""

    from_ns: int
    unit: str
    unit_ns: int
    end: float

    @classmethod
    def of(cls, course: Timeline) -> Scale:
        window_ns = course.to_ns - course.from_ns
        unit, unit_ns = ("s", NS_PER_S) if window_ns >= 3 * NS_PER_S else ("ms", NS_PER_MS)
        return cls(course.from_ns, unit, unit_ns, window_ns / unit_ns)

    def at(self, instant_ns: float) -> float:
        return (instant_ns - self.from_ns) / self.unit_ns

    def span(self, start_ns: int, end_ns: int) -> tuple[float, float]:
        """Start and width of what lies on the axis, wide enough to be seen."""
        start, end = max(0.0, self.at(start_ns)), min(self.end, self.at(end_ns))
        return start, max(end - start, THINNEST * self.end)


class Sheet:
    """A figure of panels below one another."""

    def __init__(self, heights: Sequence[float], *, gap: float, top: float = 0.78, below: float = 0.95) -> None:
        from matplotlib.figure import Figure

        self.height = top + sum(heights) + gap * max(0, len(heights) - 1) + below
        self.figure: Figure = Figure(figsize=(WIDTH_INCHES, self.height))
        self.gap, self._at = gap, top

    def panel(self, tall: float) -> Axes:
        """The next panel."""
        width = WIDTH_INCHES - LEFT_INCHES - RIGHT_INCHES
        bottom = (self.height - self._at - tall) / self.height
        axes = self.figure.add_axes((LEFT_INCHES / WIDTH_INCHES, bottom, width / WIDTH_INCHES, tall / self.height))
        self._at += tall + self.gap
        return axes

    def say(self, title: str, below: str) -> None:
        """Two lines at the top."""
        self.figure.text(0.02, 1 - 0.22 / self.height, title, fontsize=11, fontweight="bold", va="center")
        self.figure.text(0.02, 1 - 0.42 / self.height, below, va="center")

    def key(self, handles: Sequence[tuple[Any, str]]) -> None:
        """The key at the foot."""
        self.figure.legend(
            [handle for handle, _ in handles],
            [label for _, label in handles],
            loc="lower center",
            bbox_to_anchor=(0.5, 0.06 / self.height),
            ncol=len(handles),
            frameon=False,
            fontsize=7.5,
            handlelength=2.2,
        )


def frame(axes: Axes, scale: Scale, *, is_last: bool) -> None:
    """What all panels have alike."""
    axes.set_xlim(-0.004 * scale.end, 1.002 * scale.end)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2.5, width=0.6, labelbottom=is_last)
    if is_last:
        axes.set_xlabel(f"time, {scale.unit}")


# Requests.


def draw_timeline(budget: Budget, course: Timeline) -> Figure:
    """One panel for each address, in it a row for each transfer that it serves."""
    most = sorted(budget.lines, key=lambda each: -each.utilisation)[:LINES_MAX]
    lines = [(at, each) for at, each in enumerate(budget.lines) if each in most]
    rows = [rows_of(budget, at) for at, _ in lines]
    heights = [0.24 * len(each) + 0.12 for each in rows]
    sheet = Sheet(heights, gap=0.36)
    scale = Scale.of(course)
    for (at, line), named, tall in zip(lines, rows, heights, strict=True):
        axes = sheet.panel(tall)
        draw_line(axes, budget, course, at, named, scale)
        axes.set_title(line_title(line), loc="left", fontsize=8.5, pad=3)
        frame(axes, scale, is_last=at == lines[-1][0])
    sheet.say(f"{title_of(budget)}: requests", timeline_words(budget, course, len(lines)))
    sheet.key(timeline_key())
    return sheet.figure


def title_of(budget: Budget) -> str:
    """What the plan calls itself."""
    return cut(budget.plan.title or budget.plan.file, 70)


def line_title(line: LineBudget) -> str:
    """``hall, 14 % used``."""
    names = ", ".join(line.controllers[:3]) + (f" and {len(line.controllers) - 3} more" if line.controllers[3:] else "")
    return f"{cut(names, 60)} ({line.host}:{line.port}), {used_text(line.utilisation)} used"


def timeline_words(budget: Budget, course: Timeline, shown: int) -> str:
    """What is seen, and what is left out."""
    window = duration_text(course.to_ns - course.from_ns)
    if course.is_whole:
        said = [f"one hyperperiod, {window}: then everything comes again"]
    else:
        said = [f"the first {at_most_text(course.to_ns)}"]
    said.append("every request takes as long as it may")
    if shown < len(budget.lines):
        said.append(f"the {shown} of {len(budget.lines)} addresses that are used most")
    if course.skipped:
        said.append(f"{course.skipped} releases found the cycle before unfinished")
    return "; ".join(said)


def rows_of(budget: Budget, lane: int) -> dict[str, int]:
    """Transfers and commands that an address serves, with their rows."""
    tasks = budget.system.tasks
    names = list(
        dict.fromkeys(
            name for each in budget.system.requests if each.lane == lane for name in names_of(budget, each.index)
        )
    )
    assert names or not tasks
    if len(names) <= ROWS_MAX:
        return {name: row for row, name in enumerate(names)}
    return {name: min(row, ROWS_MAX - 1) for row, name in enumerate(names)}


def names_of(budget: Budget, request: int) -> list[str]:
    """The transfers that a request is for."""
    return list(dict.fromkeys(transfer for transfer, _ in budget.system.requests[request].carries))


def draw_line(axes: Axes, budget: Budget, course: Timeline, lane: int, rows: dict[str, int], scale: Scale) -> None:
    """Bars, waits, deadlines and bounds of one address."""
    requests = budget.system.requests
    count = max(rows.values()) + 1
    bars = [each for each in course.bars if requests[each.request].lane == lane]
    for is_write, look in ((False, READ), (True, WRITE)):
        spans: dict[int, list[tuple[float, float]]] = {}
        for bar in bars:
            if requests[bar.request].is_write is is_write:
                spans.setdefault(row_of(budget, bar, rows), []).append(scale.span(bar.begun_ns, bar.over_ns))
        for row, row_spans in sorted(spans.items()):
            made = axes.broken_barh(row_spans, (row - BAR_HEIGHT / 2, BAR_HEIGHT), zorder=3, **look)
            made.set_gid(f"{'write' if is_write else 'read'}-{lane}-{row}")
    for bar in bars:
        if bar.asked_ns < bar.begun_ns:
            row = row_of(budget, bar, rows)
            since_ns = max(bar.asked_ns, course.from_ns)
            axes.hlines(row, scale.at(since_ns), scale.at(bar.begun_ns), **WAIT)
    for row in range(count):
        draw_deadlines(axes, budget, course, lane, [name for name, at in rows.items() if at == row], row, scale)
    labels = [""] * count
    for name, row in rows.items():
        labels[row] = middle_cut(name, 22)
    others = sum(row == count - 1 for row in rows.values())
    if others > 1:
        labels[count - 1] = f"{others} others"
    axes.set_ylim(count - 0.45, -0.55)
    axes.set_yticks(range(count), labels, fontsize=7)
    axes.tick_params(left=False)
    for row in range(count):
        axes.axhline(row, color="0.85", lw=0.4, zorder=0)


def row_of(budget: Budget, bar: Bar, rows: dict[str, int]) -> int:
    """A request that several transfers need is shown with the first of them."""
    return rows[names_of(budget, bar.request)[0]]


def draw_deadlines(
    axes: Axes, budget: Budget, course: Timeline, lane: int, names: Sequence[str], row: int, scale: Scale
) -> None:
    """The end of each period, and the latest end of the last request of each cycle here by the bounds."""
    system, windows = budget.system, budget.bounds.windows
    if len(names) != 1:
        return
    here = [each for each in system.requests if each.lane == lane and names[0] in names_of(budget, each.index)]
    task = system.tasks[here[0].task]
    overs = [windows[each.index].over_ns for each in here if not each.is_rare]
    over_ns = None if None in overs else max((each for each in overs if each is not None), default=None)
    first = (course.from_ns - task.offset_ns) // task.period_ns
    last = (course.to_ns - task.offset_ns) // task.period_ns
    ends, latest = [], []
    for number in range(first, last + 1):
        release_ns = task.offset_ns + number * task.period_ns
        if release_ns >= course.from_ns:
            ends.append(scale.at(release_ns))
        if over_ns is not None and course.from_ns <= release_ns + over_ns <= course.to_ns and number >= 0:
            latest.append(scale.at(release_ns + over_ns))
    made = axes.vlines(ends, row - 0.46, row + 0.46, color="black", lw=1.3, zorder=4)
    made.set_gid(f"deadline-{lane}-{row}")
    if latest:
        (marks,) = axes.plot(
            latest, [row] * len(latest), ls="none", marker="d", ms=3.4, mfc="white", mec="black", mew=0.7, zorder=5
        )
        marks.set_gid(f"bound-{lane}-{row}")


def timeline_key() -> list[tuple[Any, str]]:
    """The key of the first picture."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    return [
        (Patch(**READ), "read"),
        (Patch(**WRITE), "write"),
        (Line2D([], [], **{key: each for key, each in WAIT.items() if key != "zorder"}), "waits"),
        (
            Line2D([], [], ls="none", marker="|", ms=9, mew=1.3, color="black"),
            "release, and deadline of the cycle before",
        ),
        (Line2D([], [], ls="none", marker="d", ms=3.4, mfc="white", mec="black", mew=0.7), "over by then in any case"),
    ]


# Ages.


def draw_ages(budget: Budget, course: Timeline) -> Figure:
    """One panel for each transfer: the age of what its receiver holds, and its bound."""
    shown = oldest_transfers(budget.transfers)
    tall = 1.05 if len(shown) <= 4 else 0.8
    sheet = Sheet([tall] * len(shown), gap=0.36)
    scale = Scale.of(course)
    chains = {each.name: at for at, each in enumerate(budget.system.chains) if each.transfer is not None}
    for at, transfer in enumerate(shown):
        axes = sheet.panel(tall)
        draw_age(axes, transfer, course, chains[transfer.name], scale)
        frame(axes, scale, is_last=at == len(shown) - 1)
    said = ["counted from when a value was asked for", "every request takes as long as it may"]
    if len(shown) < len(budget.transfers):
        said.append(f"the {len(shown)} of {len(budget.transfers)} transfers with the oldest values beside their period")
    sheet.say(f"{title_of(budget)}: age of the oldest value in the receivers", "; ".join(said))
    sheet.key(ages_key())
    return sheet.figure


def oldest_transfers(transfers: Sequence[TransferBudget]) -> list[TransferBudget]:
    """Those to be shown, in the order of the plan."""

    def beside_period(each: TransferBudget) -> float:
        return float("inf") if each.age_worst_ns is None else each.age_worst_ns / each.period_ns

    chosen = {each.name for each in sorted(transfers, key=lambda each: -beside_period(each))[:TRANSFERS_MAX]}
    return [each for each in transfers if each.name in chosen]


def draw_age(axes: Axes, transfer: TransferBudget, course: Timeline, chain: int, scale: Scale) -> None:
    """A saw-tooth: the age rises with time, and falls when the next values are put."""
    at, ages = saw_tooth(course, chain, scale)
    unit_ns = (
        NS_PER_MS if max(ages, default=0.0) < 3 * NS_PER_S and (transfer.age_worst_ns or 0) < 3 * NS_PER_S else NS_PER_S
    )
    (line,) = axes.plot(at, [each / unit_ns for each in ages], color="black", lw=1.0, zorder=3)
    line.set_gid(f"age-{transfer.name}")
    bound_ns, usual_ns = transfer.age_worst_ns, transfer.age_typical_ns
    top = max([*ages, bound_ns or 0]) / unit_ns
    if bound_ns is not None:
        axes.axhline(bound_ns / unit_ns, color="black", lw=0.9, ls=(0, (5, 3)), zorder=2)
        note(axes, bound_ns / unit_ns, f"at most {at_most_text(bound_ns)}")
    if usual_ns is not None:
        axes.axhline(usual_ns / unit_ns, color="black", lw=0.8, ls=(0, (1, 2)), zorder=2)
        note(axes, usual_ns / unit_ns, f"usually {at_most_text(usual_ns)}")
    axes.set_ylim(0, top * 1.12 or 1.0)
    axes.locator_params(axis="y", nbins=4)
    axes.set_ylabel(f"age, {'ms' if unit_ns == NS_PER_MS else 's'}")
    axes.set_title(
        f"{middle_cut(transfer.name)}: {middle_cut(transfer.source)} -> {middle_cut(transfer.destination)}, "
        f"every {duration_text(transfer.period_ns)}",
        loc="left",
        fontsize=8.5,
        pad=3,
    )
    if bound_ns is None:
        axes.set_title("no bound: it cannot keep up", loc="right", fontsize=8, pad=3)


def note(axes: Axes, at: float, text: str) -> None:
    """Words beside a level line."""
    axes.annotate(
        text, (1, at), (5, 0), ("axes fraction", "data"), textcoords="offset points", va="center", fontsize=7.5,
        annotation_clip=False,
    )  # fmt: skip


def saw_tooth(course: Timeline, chain: int, scale: Scale) -> tuple[list[float], list[float]]:
    """Instants on the axis and ages in nanoseconds, one after the other."""
    at: list[float] = []
    ages: list[float] = []
    sampled_ns: int | None = None
    for each in course.deliveries[chain]:
        if each.at_ns <= course.from_ns:
            sampled_ns = each.sampled_ns
            continue
        if sampled_ns is not None:
            if not at:
                at.append(0.0)
                ages.append(course.from_ns - sampled_ns)
            at.append(scale.at(each.at_ns))
            ages.append(each.at_ns - sampled_ns)
        at.append(scale.at(each.at_ns))
        ages.append(each.at_ns - each.sampled_ns)
        sampled_ns = each.sampled_ns
    if sampled_ns is not None:
        if not at:
            at.append(0.0)
            ages.append(course.from_ns - sampled_ns)
        at.append(scale.end)
        ages.append(course.to_ns - sampled_ns)
    return at, ages


def ages_key() -> list[tuple[Any, str]]:
    """The key of the second picture."""
    from matplotlib.lines import Line2D

    return [
        (Line2D([], [], color="black", lw=1.0), "age"),
        (Line2D([], [], color="black", lw=0.9, ls=(0, (5, 3))), "its bound"),
        (Line2D([], [], color="black", lw=0.8, ls=(0, (1, 2))), "usual age"),
    ]
