"""The plan file as it was read: its data, its text, and the place of everything in it and in the lists beside it."""

from __future__ import annotations

import pathlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Protocol

from wherry.findings import Finding, Path, Related, Span
from wherry.plan.positions import Positions


class RowPlaces(Protocol):
    """Places in a list of values that lies beside the plan."""

    file: str

    def row_span(self, index: int, path: Path, *, on_key: bool, offset: tuple[int, int] | None) -> Span:
        """The place of one cell (``path`` begins with its heading), or of the row."""
        ...

    def line(self, number: int) -> str:
        """One line of the file, for showing."""
        ...


class Document:
    """One plan file. ``data`` is what it says, with the lists beside it put in; ``text`` has line feeds only."""

    def __init__(self, text: str, file: str, data: Mapping[str, Any], beside: pathlib.Path | None = None) -> None:
        self.text = text
        self.file = file
        self.data = data
        self.beside = beside
        self.lists: dict[Path, RowPlaces] = {}
        """Lists beside the plan, by the path of the values that come from them."""
        self._positions: Positions | None = None
        self._lines: list[str] | None = None

    def span(self, path: Path, *, on_key: bool = False, offset: tuple[int, int] | None = None) -> Span:
        """Where the value at ``path`` stands (or its key, or a part of its text); the nearest place above if it is
        not written. Lines and columns count from one, columns in characters."""
        for depth in range(len(path), 0, -1):
            rows = self.lists.get(path[:depth])
            if rows is not None and depth < len(path) and isinstance(index := path[depth], int):
                return rows.row_span(index, path[depth + 1 :], on_key=on_key, offset=offset)
        if self._positions is None:
            self._positions = Positions(self.text, self.file)
        return self._positions.span(path, on_key=on_key, offset=offset)

    def locate(self, finding: Finding) -> Finding:
        """The finding with its place, and the places that belong to it."""
        span = finding.span or self.span(finding.path, on_key=finding.on_key, offset=finding.offset)
        return replace(finding, span=span, related=tuple(map(self._locate_related, finding.related)))

    def _locate_related(self, related: Related) -> Related:
        return related if related.span else replace(related, span=self.span(related.path))

    def line(self, span: Span) -> str:
        """The first line of a place, as it is in its file, for showing it with a caret."""
        if span.file != self.file:
            for rows in self.lists.values():
                if rows.file == span.file:
                    return rows.line(span.line)
            return ""
        if self._lines is None:
            self._lines = self.text.split("\n")
        return self._lines[span.line - 1] if 0 < span.line <= len(self._lines) else ""
