"""Calls that make a program undeterministic or talkative, each with what to use instead.

Time and chance are passed in: the engine must run the same in virtual time. One printer: `wherry.cli.output`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

CLOCK = "src/wherry/clock.py"
TIME_ADVICE = "take the instant as an argument, or the event loop's time (wherry.clock.LoopClock)"
WALL_ADVICE = "use wherry.clock.wall_time_text"
CHANCE_ADVICE = "take a seeded random.Random as an argument"
SLEEP_ADVICE = "wait through the event loop (asyncio.sleep), so that it works in virtual time"
PRINT_ADVICE = "use wherry.cli.output.data or talk"

CLOCK_CALLS = ("time", "monotonic", "perf_counter", "process_time", "thread_time", "clock_gettime")

BANNED: dict[str, str] = {
    **{f"time.{name}{suffix}": TIME_ADVICE for name in CLOCK_CALLS for suffix in ("", "_ns")},
    "time.sleep": SLEEP_ADVICE,
    "datetime.datetime.now": WALL_ADVICE,
    "datetime.datetime.utcnow": WALL_ADVICE,
    "datetime.datetime.today": WALL_ADVICE,
    "datetime.date.today": WALL_ADVICE,
    "os.urandom": CHANCE_ADVICE,
    "secrets": CHANCE_ADVICE,
    "uuid.uuid4": CHANCE_ADVICE,
    "print": PRINT_ADVICE,
    "sys.stdout": PRINT_ADVICE,
    "sys.stderr": PRINT_ADVICE,
}

# Where a banned name is the right one, and why.
ALLOWED: dict[tuple[str, str], str] = {
    (CLOCK, "time.process_time_ns"): "the one place where CPU time enters",
    (CLOCK, "time.monotonic_ns"): "the clock of the real event loops, read without their rounding",
    (CLOCK, "datetime.datetime.now"): "the one place where wall time enters",
    ("src/wherry/cli/output.py", "sys.stdout"): "the one printer",
    ("src/wherry/cli/output.py", "sys.stderr"): "the one printer",
}


def names_used(text: str) -> Iterator[tuple[int, str]]:
    """Every dotted name a module uses, with its line; names bound by imports are written out in full."""
    tree = ast.parse(text)
    bound: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for each in node.names:
                bound[each.asname or each.name.partition(".")[0]] = (
                    each.name if each.asname else each.name.partition(".")[0]
                )
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            for each in node.names:
                bound[each.asname or each.name] = f"{node.module}.{each.name}"
    for node in ast.walk(tree):
        dotted = dotted_name(node)
        if dotted:
            first, dot, rest = dotted.partition(".")
            yield node.lineno, bound.get(first, first) + dot + rest  # type: ignore[attr-defined]


def dotted_name(node: ast.AST) -> str:
    """``a.b.c`` of an attribute chain on a plain name; empty for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        before = dotted_name(node.value)
        return f"{before}.{node.attr}" if before else ""
    return ""


def advice_for(name: str) -> str:
    """What to use instead; empty if the name may be used."""
    if name.startswith("random.") and name not in ("random.Random", "random.SystemRandom"):
        return "" if name.startswith("random.Random.") else CHANCE_ADVICE
    return BANNED.get(name, "")


def banned_violations(path: str, text: str) -> list[str]:
    """Sentences, one for each use of a banned name."""
    return [
        f"{path}:{line}: {name} is banned here: {advice_for(name)}"
        for line, name in sorted(set(names_used(text)))
        if advice_for(name) and (path, name) not in ALLOWED
    ]


def test_nothing_banned_is_used(sources: dict[str, str]) -> None:
    found = [
        each for path, text in sources.items() if path.startswith("src/") for each in banned_violations(path, text)
    ]
    assert found == []


def test_each_exception_is_still_needed(sources: dict[str, str]) -> None:
    for path, name in ALLOWED:
        assert any(used == name for _, used in names_used(sources[path])), f"{path} does not use {name} any more"


def test_message_of_the_clock() -> None:
    text = "import time\n\ndef f():\n    return time.monotonic()\n"
    assert banned_violations("src/wherry/a.py", text) == [
        f"src/wherry/a.py:4: time.monotonic is banned here: {TIME_ADVICE}"
    ]


def test_another_name_does_not_hide_it() -> None:
    text = "from time import sleep as wait\nimport datetime as d\nwait(1)\nd.datetime.now()\n"
    assert banned_violations("a.py", text) == [
        f"a.py:3: time.sleep is banned here: {SLEEP_ADVICE}",
        f"a.py:4: datetime.datetime.now is banned here: {WALL_ADVICE}",
    ]


def test_message_of_chance() -> None:
    text = "import random\nx = random.random()\nrng = random.Random(1)\n"
    assert banned_violations("a.py", text) == [f"a.py:2: random.random is banned here: {CHANCE_ADVICE}"]


def test_message_of_print() -> None:
    assert banned_violations("a.py", "print(1)\n") == [f"a.py:1: print is banned here: {PRINT_ADVICE}"]


def test_a_word_in_a_text_is_no_use() -> None:
    assert banned_violations("a.py", '"""time.sleep and print(1)"""\n# time.time()\n') == []
