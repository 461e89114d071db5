"""The tables of the plan reference (``docs/plan.md``), made from the shape of the plan file.

``python -m wherry.plan.reference docs/plan.md`` writes them into the page again; a test holds the two together.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any, Final

from msgspec import inspect

from wherry.plan.places import PATTERN as PLACE_PATTERN
from wherry.plan.schema import TITLES, Table
from wherry.plan.shape import fields_of, kind_names, toml_text
from wherry.plan.wording import listed

_BLOCK = re.compile(r"(<!-- keys of (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)
HEAD: Final = "| key | holds | unless said | what it is |\n| --- | --- | --- | --- |\n"


def keys_table(kind: type[Table]) -> str:
    """One Markdown table: a row for each key of a table of the plan file."""
    rows = [_row(key, field) for key, field in fields_of(kind).items()]
    return HEAD + "".join(f"| {' | '.join(row)} |\n" for row in rows)


def filled(page: str) -> str:
    """The page with every table between its marks made anew. ValueError for a mark that names no table."""
    kinds = {title: kind for kind, title in TITLES.items()}

    def fill(match: re.Match[str]) -> str:
        if match[2] not in kinds:
            raise ValueError(f"there is no table `{match[2]}`")
        return f"{match[1]}{keys_table(kinds[match[2]])}{match[3]}"

    return _BLOCK.sub(fill, page)


def _row(key: str, field: inspect.Field) -> tuple[str, str, str, str]:
    wanted, published = _unwrapped(field.type)
    holds = _holds(wanted, published)
    if field.required:
        default = "must be there"
    elif isinstance(field.default, str | int | float | bool) and field.default != "":
        default = f"`{toml_text(_plain(field.default))}`"
    else:
        default = ""
    examples = [toml_text(each) for each in published.get("examples", [])]
    description = str(published["description"])
    if examples:
        description += f" For example {listed(f'`{each}`' for each in examples)}."
    return f"`{key}`", holds, default, description.replace("|", "\\|")


def _plain(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _unwrapped(wanted: inspect.Type) -> tuple[inspect.Type, dict[str, Any]]:
    """The kind of a key, and what the schema publishes about it."""
    published: dict[str, Any] = {}
    while isinstance(wanted, inspect.Metadata):
        published = {**(wanted.extra_json_schema or {}), **published}
        published.setdefault("means", (wanted.extra or {}).get("means", ""))
        wanted = wanted.type
    return wanted, published


def _holds(wanted: inspect.Type, published: dict[str, Any]) -> str:
    """What a key holds, in a few words."""
    if isinstance(wanted, inspect.LiteralType):
        return listed(f"`{toml_text(each)}`" for each in wanted.values)
    if published.get("means") == "duration":
        return "a duration"
    if published.get("means") == "life":
        return "years (y) or days (d)"
    if published.get("means") == "place" or published.get("pattern") == PLACE_PATTERN:
        return "a place"
    if isinstance(wanted, inspect.TupleType):
        return f"a list of {len(wanted.item_types)} numbers"
    if isinstance(wanted, inspect.ListType):
        item, inner = _unwrapped(wanted.item_type)
        return f"a list of {_plural(_holds(item, inner))}"
    if isinstance(wanted, inspect.DictType):
        return "tables by name"
    if isinstance(wanted, inspect.UnionType):
        return listed(_holds(*_unwrapped(each)) for each in wanted.types)
    low, high = published.get("minimum"), published.get("maximum")
    bounds = f", {low} to {high}" if low is not None and high is not None else ""
    return kind_names(wanted)[0] + bounds


def _plural(what: str) -> str:
    return {"a place": "places", "a table": "tables", "a whole number or text": "whole numbers or texts"}.get(
        what, what
    )


def main(arguments: list[str]) -> None:
    """Write the tables into the given pages again."""
    for name in arguments:
        page = Path(name)
        page.write_text(filled(page.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
