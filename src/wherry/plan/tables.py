"""Lists of values that lie beside the plan, as CSV or XLSX."""

from __future__ import annotations

from wherry.findings import Finding
from wherry.plan.document import Document


def put_lists_in(document: Document) -> list[Finding]:
    """Read each list that the plan names and put its rows into the document's data."""
    return []
