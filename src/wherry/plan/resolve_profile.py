"""What a device profile says where the plan says nothing: limits, response time, what may be read over, what is not
there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, Final

from msgspec import UNSET

from wherry.errors import PlanError
from wherry.findings import Finding, Level
from wherry.plan.document import Document
from wherry.plan.durations import parse_duration
from wherry.plan.model import Controller, ResponseTime
from wherry.plan.profile import Fact, Profile, read_profile
from wherry.plan.schema import ControllerTable, PlanTable
from wherry.plan.wording import printable, shown

LIMITS: Final[Mapping[str, tuple[str, Callable[[Any], int]]]] = {
    "read": ("read_registers", int),
    "read_bits": ("read_bits", int),
    "in_flight": ("in_flight", int),
    "gap": ("gap_ns", parse_duration),
    "idle": ("idle_ns", parse_duration),
}
"""Keys of ``limits`` that a profile may hold: the field of the model, and how the fact is read."""


def read_profiles(document: Document, table: PlanTable) -> tuple[dict[str, Profile], list[Finding]]:
    """The profiles that the plan's controllers name, by controller, and what is wrong with them."""
    result: dict[str, Profile] = {}
    findings: list[Finding] = []
    tables: Mapping[str, ControllerTable | None] = table.controller
    for name, each in tables.items():
        if each is None or each.profile is UNSET:
            continue
        path = ("controller", name, "profile")
        try:
            result[name] = read_profile(_file(document, each.profile))
        except PlanError as broken:
            findings.append(
                Finding(
                    "missing-file",
                    Level.ERROR,
                    f"the profile of {printable(name)[:60]} cannot be used: {printable(str(broken))}",
                    path,
                    expected="a device profile that `wherry survey --save` wrote, beside the plan",
                    found=shown(each.profile),
                    fix="put the profile beside the plan, or mend it, or take the key away",
                )
            )
    return result, findings


def _file(document: Document, name: str) -> FilePath:
    if document.beside is None:
        raise PlanError(f"{printable(name)} lies beside no file")
    return document.beside / name


def with_profile(controller: Controller, profile: Profile, name: str, written: Mapping[str, Any]) -> Controller:
    """The controller with what its profile knows and the plan (``written``: its table as read) does not say."""
    limits_written = _part(written, "limits")
    known = {
        field: read(profile.limits[key].value)
        for key, (field, read) in LIMITS.items()
        if key in profile.limits and key not in limits_written
    }
    simulation = controller.simulation
    if "holes" not in _part(written, "simulate"):
        simulation = replace(simulation, holes=profile.absent)
    unit: Fact | None = profile.device.get("unit")
    return replace(
        controller,
        unit=controller.unit if unit is None or "unit" in written else int(unit.value),
        limits=replace(controller.limits, **known),  # type: ignore[arg-type]
        response=_response(controller.response, profile, _part(written, "response")),
        readable=controller.readable if "readable" in written else profile.readable,
        simulation=simulation,
        profile=name,
        absent=profile.absent,
        starts=tuple(span for each in profile.tables.values() for span in each.starts),
        wholes=tuple(span for each in profile.tables.values() for span in each.wholes),
    )


def _part(written: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    part = written.get(key, {})
    return part if isinstance(part, Mapping) else {}


def _response(response: ResponseTime, profile: Profile, written: Mapping[str, Any]) -> ResponseTime:
    """Fixed and per register belong together: the profile's count only where the plan says neither."""
    if written or not {"fixed", "per_register"} <= set(profile.response):
        return response
    fixed, per_register = (parse_duration(profile.response[key].value) for key in ("fixed", "per_register"))
    return ResponseTime(fixed, per_register, is_declared=True)
