"""The published schema, judged by an independent reader of JSON Schema, and held against what the plan reader says."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest

from wherry.plan import loads
from wherry.plan.schema import json_schema
from wherry.plan.starter import starter

ROOT = Path(__file__).parents[2]
SCHEMA = json_schema()
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))


@pytest.fixture(scope="module")
def validator() -> Any:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    return jsonschema.Draft202012Validator(SCHEMA)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_examples_are_valid(path: Path, validator: Any) -> None:
    validator.validate(tomllib.loads(path.read_text(encoding="utf-8")))


def test_the_starter_plan_is_valid(validator: Any) -> None:
    validator.validate(tomllib.loads(starter()))


GOOD: dict[str, Any] = {
    "controller": {"skid": {"connect": "tcp://10.20.0.11"}, "hall": {"connect": "tcp://10.20.0.12"}},
    "transfer": {
        "water": {
            "from": "skid",
            "to": "hall",
            "every": "200 ms",
            "values": [{"name": "a", "take": "holding 0", "put": "holding 100"}],
        }
    },
}

CHANGES: list[tuple[tuple[str | int, ...], Any]] = [
    (("titel",), "x"),
    (("title",), 5),
    (("controller", "skid", "connect"), "10.20.0.11"),
    (("controller", "skid", "connect"), "rtu+tcp://skid"),
    (("controller", "skid", "unit"), 256),
    (("controller", "skid", "unit"), "1"),
    (("controller", "skid", "limits"), {"read": 126}),
    (("controller", "skid", "limits"), {"rate": 0}),
    (("controller", "skid", "limits"), {"gap": 5}),
    (("controller", "skid", "readable"), ["holding 0-9"]),
    (("controller", "skid", "simulate"), {"signals": [{"at": "holding 0", "shape": "sin"}]}),
    (("transfer", "water", "every"), 200),
    (("transfer", "water", "every"), "200"),
    (("transfer", "water", "on_loss"), "keep"),
    (("transfer", "water", "values"), [{"name": "a", "take": "holding 0"}]),
    (("transfer", "water", "values"), 5),
    (("transfer", "water", "copy"), {"take": "holding 0..9"}),
    (("transfer", "water", "values", 0, "take"), "holdng 0"),
    (("transfer", "water", "values", 0, "take"), "holding 0 floot32"),
    (("transfer", "water", "values", 0, "scale"), [0, 1, 2]),
    (("transfer", "water", "values", 0, "range"), [0, "1"]),
    (("transfer", "water", "values", 0, "rounding"), "even"),
    (("transfer", "water", "values", 0, "nmae"), "x"),
]


@pytest.mark.parametrize(("path", "value"), CHANGES, ids=[f"{each[0]} {each[1]}" for each in CHANGES])
def test_what_the_schema_refuses_the_reader_refuses(path: tuple[str | int, ...], value: Any, validator: Any) -> None:
    validator.validate(GOOD)
    plan: Any = copy.deepcopy(GOOD)
    at = plan
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    assert not validator.is_valid(plan)
    assert loads(toml_of(plan)).findings


def toml_of(plan: dict[str, Any]) -> str:
    """The plan as TOML with everything inline; JSON is near enough for what these plans hold."""

    def inline(value: Any) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{json.dumps(key)} = {inline(each)}" for key, each in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ", ".join(map(inline, value)) + "]"
        return json.dumps(value)

    return "".join(f"{json.dumps(key)} = {inline(value)}\n" for key, value in plan.items())


def test_the_good_plan_is_good() -> None:
    assert loads(toml_of(GOOD)).findings == ()


def test_every_key_is_described() -> None:
    tables = {"plan": SCHEMA, **SCHEMA["$defs"]}
    for name, table in tables.items():
        assert table["description"], name
        assert table["additionalProperties"] is False
        for key, rules in table["properties"].items():
            assert rules["description"].endswith("."), f"{name}.{key}"


def test_every_example_in_the_schema_is_valid(validator: Any) -> None:
    def look(node: Any) -> None:
        if isinstance(node, dict):
            for example in node.get("examples", []) if isinstance(node.get("examples"), list) else []:
                jsonschema.Draft202012Validator({**node, "$defs": SCHEMA["$defs"]}).validate(example)
            for inner in node.values():
                look(inner)
        elif isinstance(node, list):
            for inner in node:
                look(inner)

    look(SCHEMA)


def test_the_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    from wherry.cli.schema import schema_command

    assert schema_command() == 0
    printed = capsys.readouterr()
    assert json.loads(printed.out) == SCHEMA
    assert printed.err == ""


def test_the_defaults_in_the_schema_are_those_of_the_plan(read: Callable[[str], Any]) -> None:
    """Writing every default out changes nothing."""
    defs = SCHEMA["$defs"]
    plan: Any = copy.deepcopy(GOOD)

    def defaults(name: str) -> dict[str, Any]:
        return {key: rules["default"] for key, rules in defs[name]["properties"].items() if "default" in rules}

    skid = plan["controller"]["skid"]
    skid |= {"limits": defaults("limits"), "response": defaults("response"), "unit": 1, "readable": []}
    plan["transfer"]["water"]["values"][0] |= defaults("value")
    written, plain = read(toml_of(plan)).plan, read(toml_of(GOOD)).plan
    assert written.controllers[0].limits == plain.controllers[0].limits
    assert written.controllers[0].response.fixed_ns == plain.controllers[0].response.fixed_ns
    assert written.controllers[0].response.per_register_ns == plain.controllers[0].response.per_register_ns
    assert written.transfers == plain.transfers
