"""``wherry schema``: the JSON Schema of the plan file."""

from __future__ import annotations

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.plan.schema import json_schema


def schema_command() -> int:
    """Print the JSON Schema of the plan file. Editors use it to complete and check a plan while it is written."""
    output.json_document(json_schema())
    return Exit.OK
