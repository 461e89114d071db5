"""The plots of a report: ages and response times by minute, as SVG, readable in black and white."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from wherry.drawing import pictured, require

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_INCHES: Final = 7.0
HEIGHT_INCHES: Final = 1.9
UNITS: Final = (("h", 3600.0, 7200.0), ("min", 60.0, 120.0), ("s", 1.0, 0.0))
LINES: Final = (("max", "-", "largest"), ("p99", "--", "99 % below"), ("p50", ":", "half below"))


def plots(report: Mapping[str, Any]) -> dict[str, str]:
    """``{title: SVG}``: one for each transfer with ages, one for each controller with response times."""
    require()
    minutes = report["minutes"]
    limits = {each["name"]: each["max_age_ms"] for each in report["transfers"]}
    made: dict[str, str] = {}
    for name, points in minutes["age_ms"].items():
        if any(each["max"] is not None for each in points):
            made[f"Age of the values of {name} at delivery"] = _plot(minutes["to_s"], points, limits[name], "max_age")
    for name, points in minutes["response_ms"].items():
        if any(each["max"] is not None for each in points):
            made[f"Response time of {name}"] = _plot(minutes["to_s"], points, None, "")
    return made


def _plot(to_s: Sequence[float], points: Sequence[Mapping[str, Any]], limit: float | None, limit_name: str) -> str:
    return pictured(lambda: _figure(to_s, points, limit, limit_name), ["svg"])["svg"].decode()


def _figure(to_s: Sequence[float], points: Sequence[Mapping[str, Any]], limit: float | None, limit_name: str) -> Figure:
    from matplotlib.figure import Figure

    unit, seconds = next((name, size) for name, size, least in UNITS if to_s[-1] >= least)
    figure = Figure(figsize=(WIDTH_INCHES, HEIGHT_INCHES), layout="constrained")
    axes = figure.add_subplot()
    for key, style, label in LINES:
        shown = [float("nan") if each[key] is None else each[key] for each in points]
        axes.step(
            [0.0, *(each / seconds for each in to_s)], [shown[0], *shown], where="pre", color="black",
            linestyle=style, linewidth=1.0, label=label,
        )  # fmt: skip
    if limit is not None:
        axes.axhline(limit, color="black", linewidth=1.6, label=f"{limit_name}: {limit:g} ms")
    axes.set_xlim(0, to_s[-1] / seconds)
    most = max(each["max"] for each in points if each["max"] is not None)
    if limit is None:
        axes.set_ylim(0, 1.1 * most)
    else:
        # The bound is often far above what is seen: both must be readable.
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter("{x:g}")
        least = min(each["p50"] for each in points if each["p50"] is not None)
        axes.set_ylim(max(least, 0.01) / 2, 2 * max(most, limit))
    axes.set_xlabel(f"time since the start in {unit}, one point for each minute")
    axes.set_ylabel("ms")
    axes.grid(True, linewidth=0.3, color="0.6")
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), fontsize=7, frameon=False)
    return figure
