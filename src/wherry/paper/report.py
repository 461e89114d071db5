"""What a record shows, as one plain document: the criteria of the plan held against what was seen, and what was not.

Everything comes from the record's entries: the same record gives the same document. Its keys are in docs/report.md.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.errors import LocalError
from wherry.paper.typeset import CAUTIONS
from wherry.plan import loads
from wherry.plan.model import Plan, Transfer, Value
from wherry.record.entries import Kind
from wherry.record.figures import Session, quantiles_ms
from wherry.record.reading import Read, Record
from wherry.values.quality import Quality

EVENTS_MAX: Final = 400
"""Events that are printed; of more, the first and the last ones."""
MINUTES_MAX: Final = 1500
"""Points of a plot; of more minutes, neighbours are put together."""
NOT_SHOWN: Final = "not shown by this record"


@dataclass(slots=True)
class _Seen:
    """What the samples told of one value."""

    count: int = 0
    not_good: int = 0
    low: float | None = None
    high: float | None = None
    last: str = ""

    def take(self, value: Any, quality: int) -> None:
        self.count += 1
        self.not_good += quality != Quality.GOOD
        if value is None:
            return
        self.last = f"{value:.6g}" if isinstance(value, float) else str(value)
        if isinstance(value, int | float) and not isinstance(value, bool) and quality == Quality.GOOD:
            self.low = value if self.low is None else min(self.low, value)
            self.high = value if self.high is None else max(self.high, value)


@dataclass(slots=True)
class _Gathered:
    """One session's entries, gathered in one pass."""

    events: list[Read] = field(default_factory=list)
    minutes: list[Read] = field(default_factory=list)
    values: dict[tuple[str, int], _Seen] = field(default_factory=dict)
    proofs: list[Read] = field(default_factory=list)


def report(record: Record, session: Session, found: Sequence[Session]) -> dict[str, Any]:
    """The document of one session. ``found`` are all sessions of the record. LocalError without the plan."""
    if session.plan is None:
        raise LocalError("the plan of that session is not in the record any more: nothing can be held against it")
    plan = loads(session.plan["text"], session.plan["file"]).plan
    gathered = _gather(record.entries(), session)
    figures = session.figures()
    number, digest = record.head
    criteria = list(_criteria(plan, figures))
    where = "rehearsal" if figures["is_simulated"] else "site"
    return {
        "title": plan.title or session.plan["file"],
        "kind": where,
        "record": {
            "file": record.path.name,
            "entries": number,
            "head": digest.hex(),
            "seal": record.seal.value,
            "sessions": len(found),
            "session": figures["number"],
        },
        "plan": {"file": session.plan["file"], "digest": session.plan["digest"]},
        "command": {
            "by": figures["by"],
            "version": figures["version"],
            "armed": figures["armed"],
            "opened_utc": figures["opened_utc"],
            "closed_utc": figures["closed_utc"],
            "is_closed": figures["is_closed"],
            "duration_s": figures["duration_s"],
            "seed": session.opened.data.get("seed"),
            "faults": session.opened.data.get("faults"),
        },
        "summary": list(_summary(plan, figures, criteria)),
        "criteria": criteria,
        "transfers": [_transfer(each, figures) for each in plan.transfers],
        "points": [_point(each, index, gathered) for each in plan.transfers for index in range(len(each.values))],
        "controllers": [_controller(name, each) for name, each in figures["controllers"].items()],
        "minutes": _minutes(gathered.minutes, plan),
        "events": _events(gathered.events),
        "events_count": len(gathered.events),
        "proof_steps": [_proof(each) for each in gathered.proofs],
        "not_tested": list(_not_tested(plan, figures, gathered)),
        "tolerances": list(_tolerances(plan)),
        "cautions": list(CAUTIONS),
    }


def _gather(entries: Iterable[Read], session: Session) -> _Gathered:
    gathered = _Gathered()
    for entry in entries:
        if not session.opened.number < entry.number <= session.last_number:
            continue
        if entry.kind == Kind.EVENT:
            gathered.events.append(entry)
        elif entry.kind == Kind.MINUTE:
            gathered.minutes.append(entry)
        elif entry.kind == Kind.PROOF:
            gathered.proofs.append(entry)
        elif entry.kind == Kind.SAMPLES:
            for position, value, quality in entry.data["values"]:
                seen = gathered.values.setdefault((entry.data["transfer"], position), _Seen())
                seen.take(value, quality)
    return gathered


# Criteria: what the plan declares, and what was seen.


def _criteria(plan: Plan, figures: Mapping[str, Any]) -> Iterable[dict[str, Any]]:
    for transfer in plan.transfers:
        seen = figures["transfers"].get(transfer.name)
        if seen is None or not seen["scheduled"]:
            yield _criterion(transfer.name, "is carried", "at least once", "no cycle", is_kept=None)
            continue
        is_armed = transfer.destination in figures["armed"]
        yield _age(transfer, seen, is_armed=is_armed)
        skipped = seen["skipped_overrun"]
        shown = f"{skipped:,} of {seen['scheduled']:,} cycles"
        yield _criterion(transfer.name, "every cycle is over in its period", "none skipped", shown, is_kept=not skipped)
        if is_armed:
            shown = f"{seen['failed']:,} of {seen['scheduled']:,} cycles"
            yield _criterion(
                transfer.name, "every cycle is delivered", "none failed", shown, is_kept=not seen["failed"]
            )
        else:
            what = f"{transfer.destination} was not armed: nothing was written"
            yield _criterion(transfer.name, "every cycle is delivered", "none failed", what, is_kept=None)


def _age(transfer: Transfer, seen: Mapping[str, Any], *, is_armed: bool) -> dict[str, Any]:
    limit_ms = transfer.max_age_ns / NS_PER_MS
    most = seen["age_ms"]["max"]
    if most is None or not is_armed:
        return _criterion(transfer.name, "age at delivery", f"at most {limit_ms:g} ms", NOT_SHOWN, is_kept=None)
    shown = (
        f"at most {most:.1f} ms; half below {seen['age_ms']['p50']:.1f} ms, 99 % below {seen['age_ms']['p99']:.1f} ms"
    )
    return _criterion(transfer.name, "age at delivery", f"at most {limit_ms:g} ms", shown, is_kept=most <= limit_ms)


def _criterion(subject: str, what: str, wanted: str, seen: str, *, is_kept: bool | None) -> dict[str, Any]:
    result = NOT_SHOWN if is_kept is None else "kept" if is_kept else "NOT kept"
    return {"subject": subject, "criterion": what, "wanted": wanted, "seen": seen, "result": result}


def _summary(plan: Plan, figures: Mapping[str, Any], criteria: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    where = "on simulated controllers, in virtual time" if figures["is_simulated"] else "on site"
    yield f"`wherry {figures['by']}` ran {where} for {_duration(figures['duration_s'])}."
    counts = Counter(each["result"] for each in criteria)
    broken = [each for each in criteria if each["result"] == "NOT kept"]
    if broken:
        yield f"{counts['NOT kept']} of {len(criteria)} criteria were NOT kept: " + "; ".join(
            f"{each['subject']}: {each['criterion']} ({each['seen']})" for each in broken[:5]
        )
    elif counts["kept"]:
        yield f"{counts['kept']} of {len(criteria)} criteria were kept, and none was broken."
    if counts[NOT_SHOWN]:
        yield f"{counts[NOT_SHOWN]} of {len(criteria)} are {NOT_SHOWN}."
    delivered = sum(each["delivered"] for each in figures["transfers"].values())
    losses = sum(each["losses"] for each in figures["transfers"].values())
    yield f"{delivered:,} sets of values were delivered; Good was lost {losses:,} times."
    if not figures["is_closed"]:
        yield "The command did not end by itself: what it did last may not be here."


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.2f} h"


# Tables.


def _transfer(transfer: Transfer, figures: Mapping[str, Any]) -> dict[str, Any]:
    seen = figures["transfers"].get(transfer.name, {})
    whole_s = sum(seen.get(key, 0.0) for key in ("good_s", "uncertain_s", "bad_s"))
    skipped = sum(seen.get(key, 0) for key in ("skipped_overrun", "skipped_unarmed", "skipped_waiting"))
    return {
        "name": transfer.name,
        "from": transfer.source,
        "to": transfer.destination,
        "period_ms": transfer.period_ns / NS_PER_MS,
        "max_age_ms": transfer.max_age_ns / NS_PER_MS,
        "on_loss": str(transfer.on_loss),
        "scheduled": seen.get("scheduled", 0),
        "delivered": seen.get("delivered", 0),
        "skipped": skipped,
        "failed": seen.get("failed", 0),
        "losses": seen.get("losses", 0),
        "age_ms": seen.get("age_ms"),
        "lateness_ms": seen.get("lateness_ms"),
        "good_share": None if not whole_s else seen["good_s"] / whole_s,
    }


def _point(transfer: Transfer, index: int, gathered: _Gathered) -> dict[str, Any]:
    value: Value = transfer.values[index]
    seen = gathered.values.get((transfer.name, index), _Seen())
    return {
        "transfer": transfer.name,
        "name": value.name,
        "take": str(value.take),
        "put": str(value.put),
        "unit": value.unit,
        "range": None if value.range is None else list(value.range),
        "samples": seen.count,
        "not_good": seen.not_good,
        "lowest": seen.low,
        "highest": seen.high,
        "last": seen.last,
    }


def _controller(name: str, seen: Mapping[str, Any]) -> dict[str, Any]:
    return {"name": name, **seen}


def _minutes(minutes: Sequence[Read], plan: Plan) -> dict[str, Any]:
    """Quantiles of age and response by minute, for the plots; neighbours together where there are too many."""
    step = -(-len(minutes) // MINUTES_MAX) or 1
    groups = [minutes[at : at + step] for at in range(0, len(minutes), step)]
    names = [each.name for each in plan.transfers]
    return {
        "to_s": [group[-1].data["to_ns"] / NS_PER_S for group in groups],
        "age_ms": {name: [_together(group, "transfers", name, "age") for group in groups] for name in names},
        "response_ms": {
            each.name: [_together(group, "controllers", each.name, "response") for group in groups]
            for each in plan.controllers
        },
    }


def _together(group: Sequence[Read], where: str, name: str, key: str) -> dict[str, float | None]:
    buckets: Counter[int] = Counter()
    for minute in group:
        buckets.update(dict(map(tuple, minute.data[where].get(name, {}).get(key, ()))))
    return quantiles_ms(buckets)


def _events(events: Sequence[Read]) -> list[dict[str, Any]]:
    half = EVENTS_MAX // 2
    chosen = events if len(events) <= EVENTS_MAX else [*events[:half], *events[-half:]]
    return [
        {"entry": each.number, "at_s": each.at_ns / NS_PER_S, "utc": each.utc, "message": each.data["message"]}
        for each in chosen
    ]


def _proof(entry: Read) -> dict[str, Any]:
    return {"entry": entry.number, "step": str(entry.data.get("step", "")), "result": str(entry.data.get("result", ""))}


def _not_tested(plan: Plan, figures: Mapping[str, Any], gathered: _Gathered) -> Iterable[str]:
    """What a reader might take for shown, and is not."""
    if figures["is_simulated"]:
        yield "Nothing here was seen on the real controllers: addresses, types and word orders there are not shown."
    if not gathered.proofs:
        yield "No value was compared with another instrument: that each means what the plan says is not shown."
    for transfer in plan.transfers:
        name = transfer.name
        seen = figures["transfers"].get(name)
        if seen is None or not seen["scheduled"]:
            yield f"{name} was not carried."
        elif transfer.destination not in figures["armed"]:
            yield f"{name} was only read: {transfer.destination} was not armed."
        elif not seen["losses"]:
            yield f"{name}: no loss came, so that its receiver notices one is not shown."
    unseen = [
        f"{transfer.name}: {value.name}"
        for transfer in plan.transfers
        for index, value in enumerate(transfer.values)
        if (transfer.name, index) not in gathered.values and not value.is_copy
    ]
    if unseen:
        more = "" if len(unseen) <= 20 else f", and {len(unseen) - 20} more"
        yield f"No sample of these values is in the record: {', '.join(unseen[:20])}{more}."
    still = [
        f"{transfer.name}: {transfer.values[index].name}"
        for transfer in plan.transfers
        for index in range(len(transfer.values))
        if (seen_value := gathered.values.get((transfer.name, index))) is not None and seen_value.count == 1
    ]
    if still:
        more = "" if len(still) <= 20 else f", and {len(still) - 20} more"
        yield f"These values never moved, and one value proves little: {', '.join(still[:20])}{more}."


def _tolerances(plan: Plan) -> Iterable[str]:
    for controller in plan.controllers:
        for each in controller.tolerate:
            yield f"{controller.name}: replies are taken that break a rule: {each}. None of their values is Good."
    for transfer in plan.transfers:
        for value in transfer.values:
            if value.tolerance:
                unit = f" {value.unit}" if value.unit else ""
                yield f"{transfer.name}: {value.name}: read back to within {value.tolerance:g}{unit}."
