"""The cells of a list: what a text means for the key that heads its column."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

from wherry.plan.schema import ValueTable
from wherry.plan.shape import fields_of
from wherry.plan.wording import TextError, printable

NUMBER: Final = re.compile(r"[+-]?([0-9]{1,40}(\.[0-9]{0,40})?|\.[0-9]{1,40})([eE][+-]?[0-9]{1,3})?")
DECIMAL_COMMA: Final = re.compile(r"[+-]?[0-9]+,[0-9]+([eE][+-]?[0-9]+)?")

COLUMNS: Final = tuple(fields_of(ValueTable))
REQUIRED: Final = tuple(key for key, field in fields_of(ValueTable).items() if field.required)


def cell_value(key: str, text: str, is_text_put: bool) -> Any:
    """What the text of a cell means, or TextError. ``is_text_put``: the destination holds text."""
    if key == "substitute" and is_text_put:
        return text
    reader = READERS.get(key)
    return text if reader is None else reader(key, text)


def _number(key: str, text: str) -> float:
    if NUMBER.fullmatch(text):
        return float(text)
    if DECIMAL_COMMA.fullmatch(text):
        raise _broken(
            f"`{text}` has a decimal comma", "a number with a decimal point", text, f"write `{text.replace(',', '.')}`"
        )
    raise _broken(f"`{printable(text)[:40]}` is no number", "a number", text, "write a number, such as `0.5`")


def _numbers(count: int, example: str) -> Callable[[str, str], list[float]]:
    def read(key: str, text: str) -> list[float]:
        parts = _parts(text)
        commas = next((part for part in parts if DECIMAL_COMMA.fullmatch(part)), None)
        if commas is not None and len(parts) == 1 and len(commas.split(",")) == count:
            raise _broken(
                f"`{commas}` can be {count} numbers, or one with a decimal comma",
                f"{count} numbers with spaces between",
                text,
                f"write `{commas.replace(',', ' ')}`",
            )
        numbers = [_number(key, part) for part in parts]
        if len(numbers) != count:
            raise _broken(
                f"`{key}` takes {count} numbers, not {len(numbers)}",
                f"{count} numbers with spaces between",
                text,
                f"write it like `{example}`",
            )
        return numbers

    return read


def _codes(key: str, text: str) -> list[int | str]:
    return [int(part) if re.fullmatch(r"-?[0-9]{1,40}", part) else part for part in _parts(text)]


def _parts(text: str) -> list[str]:
    """The parts of a cell: with spaces between, or as a list of TOML with brackets and commas."""
    if text.startswith("[") and text.endswith("]"):
        return [part.strip().strip("\"'") for part in text[1:-1].split(",") if part.strip()]
    return text.split()


def _bool(key: str, text: str) -> bool:
    lower = text.lower()
    if lower in ("true", "false"):
        return lower == "true"
    raise _broken(f"`{key}` is neither true nor false", "true or false", text, "write `true` or `false`")


def _substitute(key: str, text: str) -> float | bool | str:
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    return _number(key, text) if text[:1].isdigit() or text[:1] in "+-." else text


def _broken(message: str, expected: str, text: str, fix: str) -> TextError:
    return TextError("broken-row", message, expected=expected, found=printable(text)[:60], fix=fix)


READERS: Final[dict[str, Callable[[str, str], Any]]] = {
    "take_scale": _numbers(4, "0 4000 0 20"),
    "scale": _numbers(4, "0 20 0 2000"),
    "range": _numbers(2, "0 20"),
    "not_available": _codes,
    "jump": _number,
    "modulus": _number,
    "deadband": _number,
    "step": _number,
    "tolerance": _number,
    "clamp": _bool,
    "substitute": _substitute,
}
"""How cells that are not plain text are read."""
