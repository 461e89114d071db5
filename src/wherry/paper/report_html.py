"""A report as one HTML file: no address in it is fetched, and it prints in black and white."""

from __future__ import annotations

import importlib.resources
from collections.abc import Mapping
from typing import Any, Final

from wherry.errors import MissingExtraError

TEMPLATE: Final = "report.html.j2"


def html(document: Mapping[str, Any]) -> bytes:
    """The page. ``document`` is what ``report_pages.pages`` makes. Every text in it is escaped but the plots' SVG.

    MissingExtraError, with the command that installs it, when the template library is not there.
    """
    try:
        import jinja2
    except ImportError:
        raise MissingExtraError("a report needs a part that is not installed: pip install 'wherry[paper]'") from None
    text = importlib.resources.files("wherry.paper").joinpath(TEMPLATE).read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(text).render(document).encode()
