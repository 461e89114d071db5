"""The picture of a rehearsal: the age of each transfer's values over time, with the faults marked.

Made to be read in black and white: line styles and hatches tell things apart, grey only supports them. The same report
gives the same bytes (of the SVG on any computer with the same version of the drawing library).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wherry.drawing import cut, middle_cut, pictured
from wherry.rehearse.report import hours_text, percent_text, worst_faults
from wherry.values.quality import Quality

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TRANSFERS_MAX: Final = 12
"""Panels in one picture; of more transfers those that were Good for the shortest time."""
ROWS_MAX: Final = 17
"""Rows of faults."""
MARKS_MAX: Final = 400
"""Faults that are drawn; of more those with the longest effect."""
NUMBERS_MAX: Final = 10
"""Faults that are listed by number."""
WIDTH_INCHES: Final = 11.0
LEFT_INCHES: Final = 2.35
RIGHT_INCHES: Final = 1.15
THINNEST: Final = 0.0012
"""Least width of a mark, as a share of the axis: about a pixel."""
DIGIT_WIDTH: Final = 0.0085
"""Room that a digit needs, as a share of the axis."""
TICKS_S: Final = {
    0.001: "1 ms", 0.01: "10 ms", 0.1: "0.1 s", 1.0: "1 s", 10.0: "10 s", 60.0: "1 min", 600.0: "10 min",
    3600.0: "1 h", 36_000.0: "10 h", 360_000.0: "100 h",
}  # fmt: skip
AXIS_UNITS: Final = (("h", 3600.0, 4 * 3600.0), ("min", 60.0, 120.0), ("s", 1.0, 0.0))
"""Units of the time axis, with their seconds and from how many seconds on they are used."""
Report = Mapping[str, Any]


def pictures(report: Report) -> dict[str, bytes]:
    """The picture as ``svg`` and ``png``, from the document of the report."""
    return pictured(lambda: draw(report))


@dataclass(frozen=True)
class Scale:
    """The time axis: from 0 to ``end`` in a unit."""

    unit: str
    unit_s: float
    end: float

    @classmethod
    def of(cls, duration_s: float) -> Scale:
        unit, unit_s = next((unit, each_s) for unit, each_s, from_s in AXIS_UNITS if duration_s >= from_s)
        return cls(unit, unit_s, max(duration_s / unit_s, 1e-9))

    def at(self, instant_s: float) -> float:
        return instant_s / self.unit_s

    def span(self, start_s: float, end_s: float) -> tuple[float, float]:
        """Start and width, wide enough to be seen and inside of the axis."""
        width = max(self.at(end_s - start_s), THINNEST * self.end)
        return max(0.0, min(self.at(start_s), self.end - width)), width


def draw(report: Report) -> Figure:
    """The figure: rows of faults on top, then one panel for each transfer, the numbered faults and the key below."""
    from matplotlib.figure import Figure

    shown = worst_transfers(report["transfers"])
    faults = worst_faults(report["faults"], MARKS_MAX)
    numbered = worst_faults(faults, NUMBERS_MAX)
    rows = fault_rows(faults)
    scale = Scale.of(report["hours"] * 3600)
    panel = 1.5 if len(shown) <= 4 else 1.05
    top, gap = 0.62, 0.3
    strip = 0.2 * len(rows) + 0.12 if rows else 0.0
    listed = 0.17 * -(-len(numbered) // 2) + 0.3 if numbered else 0.0
    below = 0.55 + 0.42 + listed
    height = top + (strip + gap if rows else 0.0) + len(shown) * (panel + gap) - gap + below
    height = max(height, top + below)
    figure = Figure(figsize=(WIDTH_INCHES, height))

    def axes(from_top: float, tall: float) -> Axes:
        width = WIDTH_INCHES - LEFT_INCHES - RIGHT_INCHES
        left, bottom = LEFT_INCHES / WIDTH_INCHES, (height - from_top - tall) / height
        return figure.add_axes((left, bottom, width / WIDTH_INCHES, tall / height))

    figure.text(0.02, 1 - 0.24 / height, title_of(report), fontsize=11, fontweight="bold", va="center")
    figure.text(0.02, 1 - 0.44 / height, subtitle_of(report, len(shown), len(faults)), va="center")
    at = top
    if rows:
        made = axes(at, strip)
        draw_faults(made, rows, numbered, scale)
        if not shown:
            label_time(made, scale)
        at += strip + gap
    for index, (name, each) in enumerate(shown):
        made = axes(at, panel)
        draw_transfer(made, name, each, faults, scale)
        if index == len(shown) - 1:
            label_time(made, scale)
        else:
            made.tick_params(labelbottom=False)
        at += panel + gap
    draw_key(figure, (at - gap + 0.55) / height, has_faults=bool(rows), height=height)
    draw_numbers(figure, numbered, from_top=at - gap + 0.55 + 0.42, height=height)
    return figure


def worst_transfers(transfers: Mapping[str, Report]) -> list[tuple[str, Report]]:
    """Those to be shown, in the order of the plan."""

    def good(item: tuple[str, Report]) -> float:
        share = item[1]["good_share"]
        return 2.0 if share is None else float(share)

    chosen = {name for name, _ in sorted(transfers.items(), key=good)[:TRANSFERS_MAX]}
    return [(name, each) for name, each in transfers.items() if name in chosen]


def title_of(report: Report) -> str:
    """One line."""
    return f"{cut(report['title'] or report['plan'], 70)}: age of the values in the receivers, rehearsed"


def subtitle_of(report: Report, shown: int, drawn: int) -> str:
    """What it was, and what is left out."""
    early = " (ended early)" if report["is_interrupted"] else ""
    said = [
        f"{hours_text(report['hours'])} simulated{early}",
        f"faults: {report['faults_asked']}",
        f"seed {report['seed']}",
    ]
    if shown < len(report["transfers"]):
        said.append(f"the {shown} of {len(report['transfers'])} transfers that were Good for the shortest time")
    if drawn < len(report["faults"]):
        said.append(f"the {drawn} of {len(report['faults'])} faults with the longest effect")
    said.append("simulated is not proven")
    return "; ".join(said)


# Faults.


def fault_rows(faults: Sequence[Report]) -> list[tuple[str, list[Report]]]:
    """Rows with their names: by controller and kind while that is few enough, else by kind, the rest together."""
    ordered = grouped(faults, lambda each: f"{each['controller']}: {each['kind']}")
    if len(ordered) > ROWS_MAX:
        ordered = grouped(faults, lambda each: str(each["kind"]))
    if len(ordered) > ROWS_MAX:
        others = [each for _, row in ordered[ROWS_MAX - 1 :] for each in row]
        ordered = [*ordered[: ROWS_MAX - 1], ("other kinds", others)]
    return ordered


def row_label(name: str) -> str:
    """The name of a row, with a long name of a controller cut."""
    controller, colon, kind = name.rpartition(": ")
    return f"{middle_cut(controller, 16)}{colon}{kind}"


def grouped(faults: Sequence[Report], name_of: Callable[[Report], str]) -> list[tuple[str, list[Report]]]:
    """The faults by a name, sorted by it."""
    rows: dict[str, list[Report]] = {}
    for each in faults:
        rows.setdefault(name_of(each), []).append(each)
    return sorted(rows.items())


def draw_faults(
    axes: Axes, rows: Sequence[tuple[str, Sequence[Report]]], numbered: Iterable[Report], scale: Scale
) -> None:
    """One bar for each fault, in the row of its name; those that are listed below have their number beside them."""
    wanted = {each["number"] for each in numbered}
    for index, (_, row) in enumerate(rows):
        for each in row:
            start, width = scale.span(each["at_s"], each["until_s"])
            bars = axes.broken_barh([(start, width)], (index - 0.32, 0.64), facecolor="0.25", edgecolor="black", lw=0.4)
            bars.set_gid(f"fault-{each['number']}")
        taken: list[tuple[float, float]] = [scale.span(each["at_s"], each["until_s"]) for each in row]
        for each in row:
            if each["number"] in wanted:
                place_number(axes, str(each["number"]), scale.span(each["at_s"], each["until_s"]), taken, index, scale)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), [row_label(name) for name, _ in rows], fontsize=7)
    frame(axes, scale)
    axes.tick_params(labelbottom=False, left=False)
    for index in range(len(rows)):
        axes.axhline(index, color="0.85", lw=0.4, zorder=0)


def place_number(
    axes: Axes, text: str, span: tuple[float, float], taken: list[tuple[float, float]], row: int, scale: Scale
) -> None:
    """The number right of its bar, or left of it, where that covers nothing; else it is left out."""
    room = DIGIT_WIDTH * (len(text) + 1) * scale.end
    for start in (span[0] + span[1], span[0] - room):
        is_inside = start >= 0 and start + room <= scale.end
        if is_inside and all(
            start + room <= other or other + width <= start for other, width in taken if (other, width) != span
        ):
            axes.text(start + room / 2, row, text, ha="center", va="center", fontsize=7)
            taken.append((start, room))
            return


def draw_numbers(figure: Figure, numbered: Sequence[Report], *, from_top: float, height: float) -> None:
    """The listed faults in two columns."""
    if not numbered:
        return
    figure.text(
        0.02, 1 - (from_top + 0.06) / height, "Faults with the longest effect:", fontsize=7.5, fontweight="bold"
    )
    half = -(-len(numbered) // 2)
    for index, each in enumerate(numbered):
        column, row = divmod(index, half)
        figure.text(
            0.02 + 0.49 * column,
            1 - (from_top + 0.24 + 0.17 * row) / height,
            cut(f"{each['number']}   {clock_text(each['at_s'])}   {each['text']}", 88),
            fontsize=7,
        )


def clock_text(at_s: float) -> str:
    """``03:12:44``."""
    whole = int(at_s)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


# Transfers.


def draw_transfer(axes: Axes, name: str, each: Report, faults: Sequence[Report], scale: Scale) -> None:
    """The greatest age in each part of the time, ``max_age``, the quality at the foot, the faults behind."""
    parties = {each["from"], each["to"]}
    for fault in faults:
        if fault["controller"] in parties:
            start, width = scale.span(fault["at_s"], fault["until_s"])
            marked = axes.axvspan(
                start, start + width, facecolor="0.86", edgecolor="0.62", lw=0.0, hatch="////", zorder=0
            )
            marked.set_gid(f"fault-{fault['number']}-{name}")
    series = each["series"]
    edges = [scale.at(at_s) for at_s in series["at_s"]] + [scale.at(series["until_s"])]
    ages = [float("nan") if age is None else max(age / 1000, 1e-4) for age in series["age_ms"]]
    if ages:
        line = axes.stairs(ages, edges, baseline=None, color="black", lw=1.0, zorder=3)
        line.set_gid(f"age-{name}")
    max_age_s = each["max_age_ms"] / 1000
    axes.axhline(max_age_s, color="black", lw=0.9, ls=(0, (5, 3)), zorder=2)
    known = [age for age in ages if age == age]
    axes.set_yscale("log")
    low, high = min([*known, max_age_s]) / 2.5, max([*known, max_age_s]) * 2
    axes.set_ylim(low, high)
    ticks = [tick for tick in TICKS_S if low <= tick <= high]
    axes.set_yticks(ticks, [TICKS_S[tick] for tick in ticks])
    axes.yaxis.minorticks_off()
    axes.set_ylabel("age")
    axes.annotate(
        f"max_age {seconds_text(max_age_s)}", (1, max_age_s), (5, 0), ("axes fraction", "data"),
        textcoords="offset points", va="center", annotation_clip=False,
    )  # fmt: skip
    axes.set_title(
        f"{middle_cut(name)}: {middle_cut(each['from'])} -> {middle_cut(each['to'])}", loc="left", fontsize=8.5, pad=3
    )
    axes.set_title(share_text(each), loc="right", fontsize=8, pad=3)
    draw_quality(axes, series, scale)
    frame(axes, scale)


def share_text(each: Report) -> str:
    """What the receiver saw in all."""
    if each["good_share"] is None:
        return "no status registers"
    states = ("Good", *FOOT_MARKS)
    words = [f"{state} {percent_text(each[f'{state.lower()}_share'], digits=2)}" for state in states]
    return ", ".join(words)


def seconds_text(duration_s: float) -> str:
    """``1 s``, ``500 ms``, ``2 min``."""
    if duration_s < 1:
        return f"{duration_s * 1000:g} ms"
    return f"{duration_s:g} s" if duration_s < 60 else f"{duration_s / 60:g} min"


FOOT_MARKS: Final[Mapping[str, Mapping[str, Any]]] = {
    "Uncertain": {"facecolor": "white", "edgecolor": "black", "hatch": "||||||", "lw": 0.5},
    "Bad": {"facecolor": "black", "edgecolor": "black", "lw": 0.5},
    "silent": {"facecolor": "white", "edgecolor": "black", "hatch": "......", "lw": 0.5},
}
FOOT: Final = 0.07
"""Height of the strip of qualities, as a share of the panel."""


def draw_quality(axes: Axes, series: Report, scale: Scale) -> None:
    """The strip at the foot: nothing where Good."""
    states = [foot_state(*each) for each in zip(series["quality"], series["is_silent"], strict=True)]
    ends = [*series["at_s"][1:], series["until_s"]]
    for state, marks in FOOT_MARKS.items():
        spans = [
            scale.span(start, end)
            for start, end, seen in zip(series["at_s"], ends, states, strict=True)
            if seen == state
        ]
        if spans:
            axes.broken_barh(joined(spans), (0, FOOT), transform=axes.get_xaxis_transform(), zorder=4, **marks)


def foot_state(quality: int | None, is_silent: bool) -> str:
    """What the strip at the foot shows of a part of the time."""
    if quality == Quality.BAD:
        return "Bad"
    if is_silent:
        return "silent"
    return "Uncertain" if quality == Quality.UNCERTAIN else ""


def joined(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans in order, those that touch made one."""
    result: list[tuple[float, float]] = []
    for start, width in spans:
        if result and start <= result[-1][0] + result[-1][1] + 1e-9:
            result[-1] = (result[-1][0], max(result[-1][1], start + width - result[-1][0]))
        else:
            result.append((start, width))
    return result


def frame(axes: Axes, scale: Scale) -> None:
    """What all panels have alike."""
    axes.set_xlim(0, scale.end)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2.5, width=0.6)


def label_time(axes: Axes, scale: Scale) -> None:
    """Numbers and name of the time axis, below the lowest panel."""
    axes.tick_params(labelbottom=True)
    axes.set_xlabel(f"simulated time, {scale.unit}")


def draw_key(figure: Figure, from_top: float, *, has_faults: bool, height: float) -> None:
    """The key below the panels."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[tuple[Any, str]] = [
        (Line2D([], [], color="black", lw=1.0), "greatest age"),
        (Line2D([], [], color="black", lw=0.9, ls=(0, (5, 3))), "max_age"),
        *((Patch(**marks), state) for state, marks in FOOT_MARKS.items()),
    ]
    if has_faults:
        handles.append(
            (Patch(facecolor="0.86", edgecolor="0.62", lw=0.0, hatch="////"), "a fault of its source or receiver")
        )
    figure.legend(
        [handle for handle, _ in handles],
        [label for _, label in handles],
        loc="upper center",
        bbox_to_anchor=(0.5, 1 - from_top),
        ncol=len(handles),
        frameon=False,
        fontsize=7.5,
        handlelength=2.6,
    )
