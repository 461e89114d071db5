"""Where each key and value of a TOML text stands.

Python's reader of TOML gives no positions, so the text is parsed a second time, with tree-sitter, and only when a
finding needs a place. The tree is walked along the path that is asked for; the rest is never looked at. ``tomllib``
alone decides what the text means: here it is known to be valid, and whatever cannot be found leads to the nearest
place around it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wherry.findings import Path, Span

if TYPE_CHECKING:
    from tree_sitter import Node

KEYS: Final = ("bare_key", "quoted_key", "dotted_key")
TABLES: Final = ("table", "table_array_element")


class Place:
    """One node of the document: where its key and its value stand, and what is inside it, found when asked for."""

    __slots__ = ("_children", "_parts", "_unread", "items", "key", "value")

    def __init__(self, key: Node | None = None, value: Node | None = None) -> None:
        self.key = key
        self.value = value
        self.items: list[Place] | None = None
        """The elements, if it is an array of tables written with ``[[name]]``."""
        self._children: dict[str, Place] = {}
        self._parts: list[Node] = []
        self._unread = value is not None

    def add_part(self, part: Node) -> None:
        """A piece of the text (a table and its pairs) that belongs to this node."""
        self._parts.append(part)

    def child(self, step: str | int) -> Place | None:
        """The node one step further down."""
        if self._unread:
            self._unread = False
            assert self.value is not None
            if self.value.type == "inline_table":
                self._parts.append(self.value)
            elif self.value.type == "array":
                elements = (each for each in self.value.named_children if each.type != "comment")
                self.items = [Place(None, each) for each in elements]
        for part in self._parts:
            self._read_pairs(part)
        self._parts.clear()
        if isinstance(step, str):
            return self._children.get(step)
        return self.items[step] if self.items is not None and 0 <= step < len(self.items) else None

    def enter(self, key: Node) -> Place:
        """The child under one part of a key, made if it is not there yet."""
        return self._children.setdefault(key_text(key), Place(key))

    def _read_pairs(self, part: Node) -> None:
        for pair in part.named_children:
            if pair.type != "pair" or len(pair.named_children) < 2:
                continue
            keys = list(key_parts(pair.named_children[0]))
            at = self
            for key in keys[:-1]:
                at = at.enter(key)
            at._children[key_text(keys[-1])] = Place(keys[-1], pair.named_children[1])


class Positions:
    """The places of one text. ``text`` has line feeds only, and no byte order mark."""

    def __init__(self, text: str, file: str) -> None:
        from tree_sitter import Language, Parser
        from tree_sitter_toml import language

        self.file = file
        # What UTF-8 cannot hold (halves of surrogate pairs) comes from no file; from elsewhere it must not stop us.
        self._data = text.encode("utf-8", "replace")
        self._line_starts = [0, *(match.end() for match in re.finditer(b"\n", self._data))]
        self._tree = Parser(Language(language())).parse(self._data)
        self._root = Place()
        self._read_tables()

    def _read_tables(self) -> None:
        root = self._tree.root_node
        self._root.add_part(root)
        for table in root.named_children:
            if table.type not in TABLES:
                continue
            keys = list(key_parts(table.named_children[0])) if table.named_children else []
            at = self._root
            for index, key in enumerate(keys):
                at = at.enter(key)
                is_last = index == len(keys) - 1
                if is_last and table.type == "table_array_element":
                    at.items = at.items or []
                    at.items.append(Place(key))
                if at.items:
                    at = at.items[-1]
                if is_last:
                    at.key = key
                    at.add_part(table)

    def find(self, path: Path) -> tuple[Place, bool]:
        """The node at ``path``, or the nearest one above it that is written down; and whether it is the node itself."""
        at = last_written = self._root
        for step in path:
            below = at.child(step)
            if below is None:
                return last_written, False
            at = below
            if at.key is not None or at.value is not None:
                last_written = at
        return at, True

    def span(self, path: Path, *, on_key: bool = False, offset: tuple[int, int] | None = None) -> Span:
        """The place of the value at ``path``, of its key, or of a part of its text."""
        place, is_exact = self.find(path)
        node = place.key if (on_key or place.value is None) and place.key is not None else place.value
        if node is None:
            return Span(self.file, 1, 1, 1, 1)
        first, last = node.start_byte, node.end_byte
        if offset is not None and is_exact and not on_key and node.type == "string":
            first, last = self._inside(node, offset)
        return self._span(first, last)

    def _inside(self, node: Node, offset: tuple[int, int]) -> tuple[int, int]:
        """Bytes of a part of a string, given in characters of its value."""
        source = self._data[node.start_byte : node.end_byte].decode("utf-8")
        starts = string_starts(source)
        first, last = (min(max(each, 0), len(starts) - 1) for each in offset)
        last = max(first, last)
        before = node.start_byte + len(source[: starts[first]].encode("utf-8"))
        return before, before + len(source[starts[first] : starts[last]].encode("utf-8"))

    def _span(self, first: int, last: int) -> Span:
        line, column = self._line_and_column(first)
        line_end, column_end = self._line_and_column(last)
        return Span(self.file, line, column, line_end, column_end)

    def _line_and_column(self, byte: int) -> tuple[int, int]:
        from bisect import bisect_right

        line = bisect_right(self._line_starts, byte)
        start = self._line_starts[line - 1]
        return line, len(self._data[start:byte].decode("utf-8")) + 1


def key_parts(key: Node) -> Iterator[Node]:
    """The parts of a dotted key, or the key itself."""
    # A dotted key holds the parts before its last dot as another dotted key: a loop, for keys of a thousand dots.
    left = [key]
    while left:
        at = left.pop()
        if at.type == "dotted_key":
            left.extend(reversed(at.named_children))
        elif at.type in KEYS:
            yield at


def key_text(key: Node) -> str:
    """What a key means: quotes taken off, escapes resolved."""
    source = (key.text or b"").decode("utf-8")
    if not source.startswith(('"', "'")):
        return source
    if source.startswith('"') and "\\" in source:
        import tomllib

        return next(iter(tomllib.loads(f"{source} = 0")))
    return source[1:-1]


_ESCAPE = re.compile(r"\\(?:u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|x[0-9A-Fa-f]{2}|.)")
_CONTINUED = re.compile(r"\\[ \t]*\n[ \t\n]*")


def string_starts(source: str) -> list[int]:
    """For each character of a string's value, and its end: where it begins in the string as written, with quotes."""
    quotes = 3 if source.startswith(('"""', "'''")) else 1
    at, end = quotes, len(source) - quotes
    if quotes == 3 and source[at : at + 1] == "\n":
        at += 1  # a line feed directly after the opening quotes is not part of the value
    starts: list[int] = []
    has_escapes = source.startswith('"')
    while at < end:
        if has_escapes and source[at] == "\\":
            continued = _CONTINUED.match(source, at, end) if quotes == 3 else None
            if continued:
                at = continued.end()
                continue
            starts.append(at)
            escape = _ESCAPE.match(source, at, end)
            at = escape.end() if escape else at + 1
            continue
        starts.append(at)
        at += 1
    starts.append(end)
    return starts
