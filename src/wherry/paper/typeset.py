"""From a text for typst and its data to a PDF: the same bytes each time, with the fonts of the package alone."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from wherry.errors import LocalError, MissingExtraError

PREAMBLE: Final = """\
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title, date: none)
#set text(font: "Libertinus Serif", size: 9.5pt, lang: "en")
#show raw: set text(font: "DejaVu Sans Mono", size: 7.5pt)
#set par(justify: false, leading: 0.55em)
#set table(stroke: 0.4pt + luma(120), inset: (x: 3pt, y: 2.5pt))
#show heading.where(level: 1): set text(size: 15pt)
#show heading.where(level: 2): set text(size: 11.5pt)
#let caution(lines) = block(stroke: 1pt + black, inset: 6pt, width: 100%, breakable: false)[
  *Cautions* \\ #for line in lines [- #line \\ ]
]
"""
"""What all papers share. Black and white only: a sheet is printed and copied."""

CAUTIONS: Final = (
    "This is not a safety function and must not carry one (emergency stop, interlock or trip; see IEC 61508, "
    "IEC 61511, ISO 13849).",
    "Writing into a live controller can move machinery: agree with the process owner, isolate, and follow the site's "
    "permit and lock-out rules first.",
    "Local codes and licensed practice come before anything printed here.",
    "Plain Modbus has no authentication: keep it on a segmented network (IEC 62443, NIST SP 800-82).",
)


def require() -> None:
    """MissingExtraError, with the command that installs it, unless a PDF can be made here."""
    try:
        import typst  # noqa: F401 - asked for only
    except ImportError:
        raise MissingExtraError("the PDF needs a part that is not installed: pip install 'wherry[paper]'") from None


def pdf(body: str, data: Mapping[str, Any]) -> bytes:
    """The paper as PDF. ``body`` is typst text after the preamble; it reads ``data`` (which has a ``title``)."""
    require()
    import typst

    source = (PREAMBLE + body).encode()
    inputs = {"data": json.dumps(data, ensure_ascii=False, allow_nan=False)}
    try:
        made = typst.Compiler(source, ignore_system_fonts=True, sys_inputs=inputs).compile(format="pdf")
    except typst.TypstError as failed:
        raise LocalError(f"the PDF could not be set ({failed.message})") from None
    assert isinstance(made, bytes)
    return made
