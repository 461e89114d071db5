"""What a record comes to: for each command that wrote into it, its counts, ages, response times and times by quality.

All of it is worked out from the entries, and held against the summary that the command itself wrote at its end.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.engine.events import EventKind
from wherry.engine.histogram import upper_ns
from wherry.record.entries import Gap, Kind
from wherry.record.reading import Read
from wherry.values.quality import Quality

COUNTS: Final = ("scheduled", "delivered", "skipped_overrun", "skipped_unarmed", "skipped_waiting", "failed")
ASKED: Final = ("requests", "replies", "exceptions", "timeouts", "late_replies", "foreign_replies")
DURATIONS: Final = ("age_ms", "lateness_ms", "response_ms")


class _Transfer:
    """One transfer within one session."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.age: Counter[int] = Counter()
        self.lateness: Counter[int] = Counter()
        self.quality = Quality.BAD
        self.since_ns = 0
        self.spent_ns: Counter[Quality] = Counter()
        self.losses = 0

    def became(self, quality: Quality, at_ns: int) -> None:
        self.spent_ns[self.quality] += at_ns - self.since_ns
        self.since_ns = at_ns
        self.losses += self.quality is Quality.GOOD and quality is not Quality.GOOD
        self.quality = quality


class _Controller:
    """One controller within one session."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.response: Counter[int] = Counter()


class Session:
    """One command's part of a record, from its ``opened`` entry to the next."""

    def __init__(self, opened: Read, plan: Mapping[str, Any] | None) -> None:
        self.opened = opened
        self.plan = plan
        """The data of its ``plan`` entry; None if that is not there any more."""
        self.closed: Read | None = None
        self.last_number = opened.number
        self.end_ns = 0
        """The latest instant in it."""
        self.events: Counter[str] = Counter()
        self.proof: Counter[str] = Counter()
        self.exchanges = 0
        self.transfers: dict[str, _Transfer] = {}
        self.controllers: dict[str, _Controller] = {}
        for name in (plan or {}).get("transfers", ()):
            self.transfers[name] = _Transfer()

    def take(self, entry: Read) -> None:
        """Count one entry."""
        self.last_number = entry.number
        self.end_ns = max(self.end_ns, entry.at_ns)
        data = entry.data
        if entry.kind == Kind.EVENT:
            self.events[data["event"]] += 1
            if data["event"] == EventKind.TRANSFER_QUALITY:
                transfer = self.transfers.setdefault(data["subject"], _Transfer())
                transfer.became(Quality(data["details"]["quality"]), entry.at_ns)
        elif entry.kind == Kind.MINUTE:
            for name, seen in data["transfers"].items():
                transfer = self.transfers.setdefault(name, _Transfer())
                transfer.counts.update({key: seen[key] for key in COUNTS})
                transfer.age.update(dict(map(tuple, seen["age"])))
                transfer.lateness.update(dict(map(tuple, seen["lateness"])))
            for name, seen in data["controllers"].items():
                controller = self.controllers.setdefault(name, _Controller())
                controller.counts.update({key: seen[key] for key in ASKED})
                controller.response.update(dict(map(tuple, seen["response"])))
        elif entry.kind == Kind.PROOF:
            self.proof[str(data.get("result", "noted"))] += 1
        elif entry.kind == Kind.EXCHANGE:
            self.exchanges += 1
        elif entry.kind == Kind.CLOSED:
            self.closed = entry

    def figures(self) -> dict[str, Any]:
        """Plain values with stable keys (docs/record.md)."""
        opened = self.opened.data
        return {
            "number": self.opened.number,
            "by": opened["by"],
            "version": opened["version"],
            "is_simulated": opened["is_simulated"],
            "armed": opened.get("armed", []),
            "plan_digest": None if self.plan is None else self.plan["digest"],
            "opened_utc": self.opened.utc,
            "closed_utc": None if self.closed is None else self.closed.utc,
            "is_closed": self.closed is not None,
            "duration_s": round(self.end_ns / NS_PER_S, 3),
            "events": dict(sorted(self.events.items())),
            "proof_steps": dict(sorted(self.proof.items())),
            "exchanges": self.exchanges,
            "transfers": {name: self._transfer(each) for name, each in sorted(self.transfers.items())},
            "controllers": {
                name: dict(each.counts) | {"response_ms": quantiles_ms(each.response)}
                for name, each in sorted(self.controllers.items())
            },
        }

    def _transfer(self, transfer: _Transfer) -> dict[str, Any]:
        spent_ns = Counter(transfer.spent_ns)
        spent_ns[transfer.quality] += self.end_ns - transfer.since_ns
        counts = {key: transfer.counts[key] for key in COUNTS}
        return counts | {
            "age_ms": quantiles_ms(transfer.age),
            "lateness_ms": quantiles_ms(transfer.lateness),
            "losses": transfer.losses,
            **{f"{each.name.lower()}_s": round(spent_ns[each] / NS_PER_S, 3) for each in Quality},
        }

    def contradictions(self, gaps: Iterable[Gap]) -> list[str]:
        """Where the entries do not come to what the command itself wrote at its end: sentences, none as a rule.

        Nothing can be said of a session that is not closed, or of which entries were taken out.
        """
        if self.closed is None or "summary" not in self.closed.data:
            return []
        if any(gap.last >= self.opened.number and gap.first <= self.last_number for gap in gaps):
            return []
        found, figures = [], self.figures()
        for group in ("transfers", "controllers"):
            for name, said in self.closed.data["summary"][group].items():
                have = figures[group].get(name, {})
                found += [
                    f"{name}: {key} is {have.get(key)} by the entries, {said[key]} by the summary"
                    for key in (*COUNTS, *ASKED, *DURATIONS)
                    if key in said and not _agree(said[key], have.get(key, 0))
                ]
        return found


def _agree(said: Any, have: Any) -> bool:
    """Of durations, the summary knows the largest exactly, and gives no quantile above it; the entries know the end of
    its bucket."""
    if not isinstance(said, Mapping):
        return bool(said == have)
    if not isinstance(have, Mapping):
        return False
    top = said["max"]
    return all(
        value == (None if (limit := have.get(key)) is None or top is None else min(limit, top))
        for key, value in said.items()
    )


def quantiles_ms(buckets: Mapping[int, int]) -> dict[str, float | None]:
    """``p50``, ``p99`` and ``max`` in milliseconds as the ends of their buckets; None where nothing was counted."""
    shares = {"p50": 0.50, "p99": 0.99, "max": 1.0}
    return {name: quantile_ms(buckets, share) for name, share in shares.items()}


def quantile_ms(buckets: Mapping[int, int], share: float) -> float | None:
    """The upper end of the bucket that the quantile falls into, in milliseconds."""
    needed = max(1, -int(-sum(buckets.values()) * share // 1))
    seen = 0
    for bucket in sorted(buckets):
        seen += buckets[bucket]
        if seen >= needed:
            return round(upper_ns(bucket) / NS_PER_MS, 3)
    return None


def sessions(entries: Iterable[Read]) -> list[Session]:
    """What each command wrote. Entries before the first ``opened`` that is still there belong to none."""
    found: list[Session] = []
    plans: dict[int, Any] = {}
    for entry in entries:
        if entry.kind == Kind.PLAN:
            plans[entry.number] = entry.data
        elif entry.kind == Kind.OPENED:
            found.append(Session(entry, plans.get(entry.data["plan"])))
        elif found and found[-1].closed is None and entry.kind != Kind.DROPPED:
            found[-1].take(entry)
    return found
