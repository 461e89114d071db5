"""Modules and functions short enough to be read in one go; older ones may only shrink (ratchet.txt)."""

from __future__ import annotations

import ast
from pathlib import Path

MODULE_LINES_MAX = 600
FUNCTION_LINES_MAX = 70


def measure(path: str, text: str) -> dict[str, tuple[int, int]]:
    """Lengths of a module (key: its path) and its functions (key: path and dotted name), each with its bound."""
    found = {path: (len(text.splitlines()), MODULE_LINES_MAX)}

    def visit(node: ast.AST, prefix: str) -> None:
        for child in ast.iter_child_nodes(node):
            name = prefix
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                name = f"{prefix}{child.name}."
                if not isinstance(child, ast.ClassDef):
                    assert child.end_lineno is not None
                    found[f"{path} {name[:-1]}"] = (child.end_lineno - child.lineno + 1, FUNCTION_LINES_MAX)
            visit(child, name)

    visit(ast.parse(text), "")
    return found


def read_ratchet(text: str) -> dict[str, int]:
    """The exceptions: what -> the most lines it may have."""
    entries = (line.rsplit(maxsplit=1) for line in text.splitlines() if line.strip() and not line.startswith("#"))
    return {what: int(lines) for what, lines in entries}


def length_violations(sources: dict[str, str], ratchet: dict[str, int]) -> list[str]:
    """Sentences, one for each thing that is too long and each exception that is not needed any more."""
    lengths: dict[str, tuple[int, int]] = {}
    for path, text in sources.items():
        lengths |= measure(path, text)
    found = [
        f"{what}: {lines} lines, at most {ratchet.get(what, most)}: split it"
        for what, (lines, most) in lengths.items()
        if lines > max(most, ratchet.get(what, 0))
    ]
    for what, allowed in ratchet.items():
        lines, most = lengths.get(what, (0, 0))
        if lines <= most:
            found.append(f"ratchet.txt: {what} is not too long any more: remove the entry")
        elif lines < allowed:
            found.append(f"ratchet.txt: {what} has {lines} lines now, not {allowed}: lower the entry")
    return found


def test_lengths(sources: dict[str, str], root: Path) -> None:
    ratchet = read_ratchet((root / "tests/tidy/ratchet.txt").read_text(encoding="utf-8"))
    assert length_violations(sources, ratchet) == []


def test_message_of_a_long_module() -> None:
    assert length_violations({"a.py": "x = 1\n" * 601}, {}) == ["a.py: 601 lines, at most 600: split it"]


def test_message_of_a_long_method() -> None:
    text = "class A:\n    def run(self):\n" + "        x = 1\n" * 70
    assert length_violations({"a.py": text}, {}) == ["a.py A.run: 71 lines, at most 70: split it"]


def test_a_ratchet_entry_may_shrink_and_not_grow() -> None:
    sources = {"a.py": "x = 1\n" * 610}
    assert length_violations(sources, {"a.py": 610}) == []
    assert length_violations(sources, {"a.py": 605}) == ["a.py: 610 lines, at most 605: split it"]
    assert length_violations(sources, {"a.py": 620}) == [
        "ratchet.txt: a.py has 610 lines now, not 620: lower the entry"
    ]
    assert length_violations({"a.py": ""}, {"a.py": 620}) == [
        "ratchet.txt: a.py is not too long any more: remove the entry"
    ]


def test_ratchet_file_is_read() -> None:
    assert read_ratchet("# note\n\na.py A.run 80\nb.py 700\n") == {"a.py A.run": 80, "b.py": 700}
