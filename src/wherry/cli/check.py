"""``wherry check``: is the plan sound, what is wrong, where, and how is it mended?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from wherry.checks.check import check
from wherry.checks.defaults import defaults
from wherry.checks.load import loads
from wherry.checks.pages import explain as explain_rule
from wherry.checks.registry import all_rules, find_rule, nearest_name
from wherry.checks.requests import request_rows
from wherry.checks.rule import Judged
from wherry.cli import check_view, output
from wherry.cli.output import Exit
from wherry.findings import Level
from wherry.plan import load


def check_command(
    plan: Path | None = None,
    *,
    requests: Annotated[bool, Parameter(negative=())] = False,
    verbose: Annotated[bool, Parameter(negative=())] = False,
    json: Annotated[bool, Parameter(negative=())] = False,
    explain: str | None = None,
) -> int:
    """Judge a plan: what is wrong, where, and how it is mended. Nothing is connected to.

    Answers 0 when no finding is an error, 1 when one is, 2 when the plan cannot be read.

    Parameters
    ----------
    plan
        The plan file.
    requests
        Also show every request that the plan makes, and how busy that keeps each controller.
    verbose
        Also show every default that the plan relies on.
    json
        Print one JSON document instead (its keys are in docs/check.md).
    explain
        Print the page of one finding, for example --explain range-loss, or of all with --explain all.
    """
    if explain is not None:
        return explain_name(explain)
    if plan is None:
        output.error("no plan was given", "write: wherry check PLAN, or wherry check --explain NAME")
        return Exit.WRONG_CALL
    loaded = load(plan)
    findings = check(loaded)
    code = Exit.NO if any(finding.level is Level.ERROR for finding in findings) else Exit.OK
    judged = Judged.of(loaded)
    if json:
        output.json_document(document(plan, judged, findings, code, requests=requests, verbose=verbose))
        return code
    check_view.print_findings(findings, loaded.document.line)
    if verbose:
        check_view.print_defaults(defaults(judged))
    if requests:
        check_view.print_requests(request_rows(judged), loads(judged.sweeps, judged.controllers, judged.plan.commands))
    output.sentence(check_view.summary(str(plan), loaded.plan, findings))
    return code


def explain_name(name: str) -> int:
    """Print the page of one finding."""
    if name == "all":
        output.data("\n\n\n".join(output.page(explain_rule(rule)) for rule in all_rules()))
        return Exit.OK
    rule = find_rule(name)
    if rule is not None:
        output.data(output.page(explain_rule(rule)))
        return Exit.OK
    near = nearest_name(name)
    hint = f"did you mean: wherry check --explain {near}" if near else "all of them: wherry check --explain all"
    output.error(f"there is no finding `{name}`", hint)
    return Exit.WRONG_CALL


def document(file: Path, judged: Judged, findings: Any, code: Exit, *, requests: bool, verbose: bool) -> dict[str, Any]:
    """The JSON answer."""
    levels = [finding.level for finding in findings]
    answer: dict[str, Any] = {
        "plan": str(file),
        "exit_code": int(code),
        "counts": {str(level): levels.count(level) for level in Level},
        "findings": [check_view.finding_data(finding) for finding in findings],
    }
    if requests:
        answer["requests"] = [check_view.request_data(row) for row in request_rows(judged)]
        found = loads(judged.sweeps, judged.controllers, judged.plan.commands)
        answer["load"] = {load.controller.name: check_view.load_data(load) for load in found}
    if verbose:
        answer["defaults"] = [check_view.default_data(default) for default in defaults(judged)]
    return answer
