"""The part of docs/simulate.md about the devices: ``python -m wherry.simulate.devices.pages docs/simulate.md``."""

from __future__ import annotations

import sys
import textwrap
from pathlib import Path
from typing import Final

from wherry.simulate.devices.catalogue import DEVICES

BEGIN: Final = "<!-- devices -->"
END: Final = "<!-- end of devices -->"
WIDTH: Final = 128


def section() -> str:
    """One heading, one paragraph and one expectation for each device."""
    parts = []
    for device in DEVICES.values():
        kinds = ", ".join(f"`{each}`" for each in device.kinds)
        lines = [f"### {device.label}: {device.title}", "", textwrap.fill(device.description, WIDTH), ""]
        if len(device.kinds) > 1:
            lines += [textwrap.fill(f"Kinds: {kinds}.", WIDTH), ""]
        lines += [textwrap.fill(f"Expected: {device.expected}", WIDTH)]
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


def put_into(text: str) -> str:
    """The document with the section of now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n\n{section()}\n\n{END}{after}"


def main() -> None:
    """Write the section into the document that is named."""
    path = Path(sys.argv[1])
    path.write_text(put_into(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
