"""``wherry prove``: what must be shown of a plan, and what it takes. Nothing is connected to."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from wherry.cli import output, prove_fingerprint
from wherry.cli.output import Exit
from wherry.cli.run import load_for_run
from wherry.errors import LocalError
from wherry.plan import Plan, load
from wherry.plan.durations import duration_text
from wherry.prove.claims import QUANTILE, RATE, Claim, claims_of
from wherry.prove.retest import retests
from wherry.prove.statistics import CONFIDENCE


def prove_command(
    plan: Path,
    *,
    rate: float = RATE,
    quantile: float = QUANTILE,
    confidence: float = CONFIDENCE,
    fingerprint: Annotated[bool, Parameter(negative=())] = False,
    seed: int = 0,
    save: Path | None = None,
    seen: Path | None = None,
    rehearsal: Annotated[bool, Parameter(negative=())] = False,
    truth: Path | None = None,
    after: Path | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Show what must be shown of a plan before it is handed over, and what that takes. Nothing is connected to.

    Without more it shows how long to watch before a claim is worth its number. Answers 0 when all was shown, 1 when a
    filled-in list shows that the plan is wrong, 2 when the call or the plan is wrong.

    Parameters
    ----------
    plan
        The plan file.
    rate
        The claim about values: at most this share of them is wrong.
    quantile
        The claim about age: this share of the values is not older.
    confidence
        How sure the claims are to be.
    fingerprint
        Show a set of test values, with which each place that is wrong gives a result of its own.
    seed
        Another seed gives another set. The same plan and seed give the same set.
    save
        With --fingerprint: a CSV file for the set, to be filled in.
    seen
        With --fingerprint: such a file with what was seen. What is wrong is named.
    rehearsal
        With --fingerprint: let the engine carry the values between simulated controllers, and judge what came of it.
    truth
        With --rehearsal: another plan that says what the simulated controllers hold.
    after
        An older plan, of which all was shown: what must be shown again of this one, and why.
    json
        Print one JSON document instead (its keys are in docs/prove.md).
    """
    ready = load_for_run(plan)
    if ready is None:
        return Exit.WRONG_CALL
    if not fingerprint and (save is not None or seen is not None or rehearsal):
        raise LocalError("--save, --seen and --rehearsal belong to --fingerprint")
    if fingerprint and after is not None:
        raise LocalError("--fingerprint and --after answer two questions: ask one at a time")
    digest = hashlib.sha256(plan.read_bytes()).hexdigest()
    head = {"plan": ready.file, "title": ready.title, "plan_sha256": digest}
    if fingerprint:
        asked = prove_fingerprint.Asked(seed, save, seen, rehearsal, truth)
        return prove_fingerprint.show(ready, head, asked, as_json=json)
    if truth is not None:
        raise LocalError("--truth belongs to --rehearsal")
    if after is not None:
        return show_retests(ready, head, after, as_json=json)
    claims = claims_of(ready, rate, quantile, confidence)
    if json:
        claimed = {"rate": rate, "quantile": quantile, "confidence": confidence}
        output.json_document({**head, **claimed, "claims": claims_document(claims), "exit_code": int(Exit.OK)})
    else:
        print_claims(claims, rate, quantile, confidence)
    return Exit.OK


def show_retests(plan: Plan, head: dict[str, Any], after: Path, *, as_json: bool) -> int:
    """What must be shown again. The old plan may have findings: it was what it was."""
    old = load(after)
    lines = retests(old.plan, plan)
    if as_json:
        before = {"after": str(after), "after_sha256": hashlib.sha256(after.read_bytes()).hexdigest()}
        shown = [
            {"part": each.part.value, "subject": list(each.subject), "reasons": list(each.reasons)} for each in lines
        ]
        output.json_document({**head, **before, "retests": shown, "exit_code": int(Exit.OK)})
        return Exit.OK
    if not lines:
        output.sentence("Nothing needs to be shown again: no test depends on what was changed.")
        return Exit.OK
    output.data(f"un-proved by the change from {output.quoted(after)}; to be shown again:")
    for each in lines:
        text = f"  {each.part} of {' / '.join(each.subject)}: {'; '.join(each.reasons)}"
        output.data(output.paragraph(text, hanging=4))
    output.data()
    output.sentence(
        f"{output.plural(len(lines), 'line')}; what is not listed stays shown, if it was shown of the old plan."
    )
    return Exit.OK


def print_claims(claims: Sequence[Claim], rate: float, quantile: float, confidence: float) -> None:
    """How many cycles, and how long they take."""
    if not claims:
        output.sentence("The plan has no transfer: there is nothing to watch.")
        return
    first = claims[0]
    heads: list[tuple[str, output.Justify]] = [
        ("transfer", "left"),
        ("period", "right"),
        ("values", "right"),
        ("values right,\nat least", "right"),
        ("age,\nat least", "right"),
    ]
    rows = [
        (each.transfer, duration_text(each.period_ns), str(each.values), spelled(each.rate_ns), spelled(each.age_ns))
        for each in claims
    ]
    output.table(heads, rows, title="how long to watch", shrink=(0,))
    output.data()
    output.sentence(
        f"Values right: {first.trials_for_rate:,} compared cycles of a value, none of them wrong, show with "
        f"{percent(confidence)} confidence that at most {percent(rate)} of its values are wrong."
    )
    output.sentence(
        f"Age: of {first.trials_for_age:,} ages the greatest is, with {percent(confidence)} confidence, one that "
        f"{percent(quantile)} of all ages do not exceed."
    )
    output.sentence(
        "Both take the cycles for independent of one another, and neighbours seldom are: spread them over the time "
        "that the claim is about."
    )


def percent(share: float) -> str:
    """``99.9 %``."""
    return f"{100 * share:.6g} %"


def spelled(duration_ns: int) -> str:
    """A duration for people: whole seconds below two minutes, else minutes, hours or days with one decimal."""
    seconds = duration_ns / 1e9
    for unit, size in (("d", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.1f} s"


def claims_document(claims: Sequence[Claim]) -> list[dict[str, Any]]:
    """The claims for programs."""
    return [
        {
            "transfer": each.transfer,
            "period_s": each.period_ns / 1e9,
            "values": each.values,
            "cycles_for_rate": each.trials_for_rate,
            "cycles_for_rate_s": each.rate_ns / 1e9,
            "cycles_for_age": each.trials_for_age,
            "cycles_for_age_s": each.age_ns / 1e9,
        }
        for each in claims
    ]
