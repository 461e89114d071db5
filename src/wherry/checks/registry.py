"""All rules: every module of ``wherry.checks.rules`` holds one, as ``RULE``."""

from __future__ import annotations

import difflib
import importlib
import pkgutil
from functools import cache

from wherry.checks import rules
from wherry.checks.rule import Rule


@cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule, sorted by name."""
    found: list[Rule] = []
    for module in pkgutil.iter_modules(rules.__path__):
        rule = importlib.import_module(f"{rules.__name__}.{module.name}").RULE
        assert isinstance(rule, Rule)
        assert rule.name == module.name.replace("_", "-"), "a rule's file is named after its finding"
        found.append(rule)
    found.sort(key=lambda rule: rule.name)
    return tuple(found)


def find_rule(name: str) -> Rule | None:
    """The rule of that name, if there is one."""
    return next((rule for rule in all_rules() if rule.name == name), None)


def nearest_name(name: str) -> str:
    """The known name that is most like the given one, or nothing."""
    wanted = name.lower().replace("_", "-").replace(" ", "-")
    near = difflib.get_close_matches(wanted, [rule.name for rule in all_rules()], n=1, cutoff=0.5)
    return near[0] if near else ""
