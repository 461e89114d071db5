"""Nothing unfinished, nothing that only holds on one machine, nothing unused."""

from __future__ import annotations

import ast
import re

# Written in two parts, so that this file does not find itself.
REMINDERS = re.compile(r"\b(" + "|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X", "HA" + "CK")) + r")\b")
MACHINE_PATHS = re.compile(
    r"(?<![\w./])/(?:" + "|".join(("ro" + "ot", "ho" + "me", "wo" + "rk", "Us" + "ers")) + r")/\w"
)
HOSTS = re.compile(
    "|".join(("py" + r"pi\.org", "python" + "hosted", "npm" + r"js\.", r"deb\." + "debian", "github" + "usercontent"))
)

DYNAMIC_PACKAGES = ("wherry.checks.rules",)
"""Packages whose modules are found by listing the package."""
ROOTS = ("wherry", "wherry.__main__")
RUN = 'if __name__ == "__main__":'
"""A module with this is a program of its own (python -m), such as those that write a page of the documents."""
FOR_USERS = (
    "wherry.simulate.virtual_loop",
    "wherry.transports.memory",
    "wherry.simulate.faults",
    "wherry.simulate.fault_file",
)
"""Tools for a user's own tests; nothing in the package itself needs them."""


def leftover_violations(path: str, text: str) -> list[str]:
    """Sentences about reminders, machine paths and package hosts."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        if match := REMINDERS.search(line):
            found.append(f"{path}:{number}: {match[0]}: do it, or open an issue and say nothing here")
        if match := MACHINE_PATHS.search(line):
            found.append(f"{path}:{number}: {match[0]}... is a path of one machine")
        if match := HOSTS.search(line):
            found.append(f"{path}:{number}: {match[0]}: name the package, not the host it comes from")
    return found


def module_name(path: str) -> str:
    """``src/wherry/a/b.py`` -> ``wherry.a.b``."""
    return path.removeprefix("src/").removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def modules_named(text: str, own: str, known: set[str], *, is_package: bool) -> set[str]:
    """The known modules that a module imports, or names in a string (for lazy imports)."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = own.split(".")
                parts = parts[: len(parts) - node.level + is_package]
                base = ".".join([*parts, base]).rstrip(".")
            found |= {base, *(f"{base}.{each.name}" for each in node.names)}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.add(node.value)
    return found & known


def dead_modules(sources: dict[str, str], roots: tuple[str, ...]) -> list[str]:
    """Sentences about modules that nothing reaches from the roots. Packages themselves are not looked at."""
    paths = {module_name(path): path for path in sources if path.startswith("src/")}
    known = set(paths)
    programs = [name for name, path in paths.items() if RUN in sources[path]]
    waiting = [root for root in roots if root in known] + programs
    reached: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name in reached:
            continue
        reached.add(name)
        if name in DYNAMIC_PACKAGES:
            waiting += [each for each in known if each.startswith(f"{name}.")]
        path = paths[name]
        waiting += modules_named(sources[path], name, known, is_package=path.endswith("__init__.py"))
    return [
        f"{paths[name]}: nothing uses this module: use it or remove it"
        for name in sorted(known - reached)
        if not paths[name].endswith("__init__.py")
    ]


def test_nothing_is_left_over(texts: dict[str, str]) -> None:
    assert [each for path, text in texts.items() if path != "LICENSE" for each in leftover_violations(path, text)] == []


def test_every_module_is_reachable(sources: dict[str, str]) -> None:
    assert dead_modules(sources, ROOTS + FOR_USERS) == []


def test_message_of_a_reminder() -> None:
    word = "TO" + "DO"
    assert leftover_violations("a.py", f"x = 1\n# {word}: later\n") == [
        f"a.py:2: {word}: do it, or open an issue and say nothing here"
    ]


def test_message_of_a_machine_path() -> None:
    path = "/ro" + "ot/x"
    assert leftover_violations("a.md", f"see {path}/y\n") == [f"a.md:1: {path}... is a path of one machine"]
    assert leftover_violations("a.md", "docs/home/x and https://example.org/home/x\n") == []


def test_message_of_a_package_host() -> None:
    host = "py" + "pi.org"
    assert leftover_violations("a.toml", f"from {host}\n") == [
        f"a.toml:1: {host}: name the package, not the host it comes from"
    ]


def test_message_of_a_dead_module() -> None:
    sources = {
        "src/wherry/__init__.py": "",
        "src/wherry/a.py": "from . import b\nNAME = 'wherry.c'\n",
        "src/wherry/b.py": "",
        "src/wherry/c.py": "",
        "src/wherry/d.py": "",
    }
    assert dead_modules(sources, ("wherry.a",)) == ["src/wherry/d.py: nothing uses this module: use it or remove it"]


def test_a_program_of_its_own_is_not_dead() -> None:
    assert dead_modules({"src/wherry/a.py": f"{RUN}\n    pass\n"}, ()) == []


def test_rules_are_found_by_listing_their_package() -> None:
    sources = {
        "src/wherry/checks/registry.py": "from wherry.checks import rules\n",
        "src/wherry/checks/rules/__init__.py": "",
        "src/wherry/checks/rules/one.py": "",
    }
    assert dead_modules(sources, ("wherry.checks.registry",)) == []
