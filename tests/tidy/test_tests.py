"""Rules for the tests themselves: no sleeping on the real clock, and no mocks where a fake or the real thing exists."""

from __future__ import annotations

import ast
import re

# A module that sleeps on the event loop must be driven by the virtual loop and by nothing else: then no sleep in it can
# be a real one. These names would bring a real loop or a real network in.
VIRTUAL = re.compile(r"\b(run_virtual|VirtualLoop)\b")
REAL_LOOPS = ("asyncio.run", "asyncio.Runner", "asyncio.new_event_loop", "uvloop", "TcpNetwork")
LOOP_SLEEPS = ("asyncio.sleep", "loop.call_later")
REAL_SLEEP = "time.sleep"
MOCKS = ("unittest.mock", "mock", "pytest_mock")
NO_PATCHING = ("tests/protocol/", "tests/engine/")


def code_of(text: str) -> str:
    """The source without comments and docstrings, in one spelling."""
    return ast.unparse(ast.parse(text))


def sleep_violations(path: str, text: str) -> list[str]:
    """Sentences about sleeps that could take real time."""
    code = code_of(text)
    if REAL_SLEEP in code or re.search(r"from time import [^\n]*\bsleep\b", code):
        return [
            f"{path}: {REAL_SLEEP} in a test: wait for the thing itself (a line of output, a reply), or use run_virtual"
        ]
    sleeps = [name for name in LOOP_SLEEPS if name in code]
    if not sleeps:
        return []
    if not VIRTUAL.search(code):
        return [f"{path}: {sleeps[0]} on a real loop: drive the test with run_virtual"]
    return [
        f"{path}: {sleeps[0]} beside {name}: tests in virtual time and on a real loop belong in separate modules"
        for name in REAL_LOOPS
        if re.search(rf"\b{re.escape(name)}\b", code)
    ]


def mock_violations(path: str, text: str) -> list[str]:
    """Sentences about mocks and about patching where fakes exist."""
    found = []
    for node in ast.walk(ast.parse(text)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [each.name for each in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{each.name}" for each in node.names)]
        if any(name == mock or name.startswith(f"{mock}.") for name in names for mock in MOCKS):
            line = getattr(node, "lineno", 0)
            found.append(f"{path}:{line}: a mock: use the in-memory network, a simulated controller or a small fake")
    if path.startswith(NO_PATCHING) and "monkeypatch.setattr" in text:
        found.append(f"{path}: monkeypatch.setattr: pass the thing in instead")
    return found


def test_no_test_sleeps_on_the_real_clock(sources: dict[str, str]) -> None:
    found = [
        each
        for path, text in sources.items()
        if path.startswith("tests/") and not path.startswith("tests/tidy/")
        for each in sleep_violations(path, text)
    ]
    assert found == []


def test_no_test_uses_mocks(sources: dict[str, str]) -> None:
    found = [
        each
        for path, text in sources.items()
        if path.startswith("tests/") and not path.startswith("tests/tidy/")
        for each in mock_violations(path, text)
    ]
    assert found == []


def test_message_of_a_real_sleep() -> None:
    for text in ("import time\ntime.sleep(1)\n", "from time import sleep\nsleep(1)\n"):
        assert sleep_violations("a.py", text) == [
            "a.py: time.sleep in a test: wait for the thing itself (a line of output, a reply), or use run_virtual"
        ]


def test_message_of_a_sleep_on_a_real_loop() -> None:
    text = "import asyncio\nasync def f():\n    await asyncio.sleep(1)\n"
    assert sleep_violations("a.py", text) == ["a.py: asyncio.sleep on a real loop: drive the test with run_virtual"]
    assert sleep_violations("a.py", text + "run_virtual(f())\n") == []


def test_message_of_a_module_with_both_loops() -> None:
    text = "import asyncio\nasync def f():\n    await asyncio.sleep(1)\nrun_virtual(f())\nasyncio.run(f())\n"
    assert sleep_violations("a.py", text) == [
        "a.py: asyncio.sleep beside asyncio.run: tests in virtual time and on a real loop belong in separate modules"
    ]


def test_a_word_in_a_comment_is_no_sleep() -> None:
    assert sleep_violations("a.py", "# never time.sleep(1)\nx = 1\n") == []


def test_message_of_a_mock() -> None:
    wanted = "a.py:1: a mock: use the in-memory network, a simulated controller or a small fake"
    assert mock_violations("a.py", "from unittest import mock\n") == [wanted]
    assert mock_violations("a.py", "from unittest.mock import Mock\n") == [wanted]
    assert mock_violations("a.py", "import unittest.mock\n") == [wanted]


def test_message_of_patching() -> None:
    text = "def test(monkeypatch):\n    monkeypatch.setattr(a, 'b', 1)\n"
    assert mock_violations("tests/engine/test_a.py", text) == [
        "tests/engine/test_a.py: monkeypatch.setattr: pass the thing in instead"
    ]
    assert mock_violations("tests/cli/test_a.py", text) == []
