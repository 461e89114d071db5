"""Folders and files that commands save into: refused before anything takes time, and each file whole or not at all."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

from wherry.cli import output
from wherry.errors import LocalError


def make_folder(folder: Path, *, nothing_was: str = "") -> None:
    """The folder is there and can be written to, before anything takes time. LocalError if not."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as failed:
        so = f"{nothing_was}; " if nothing_was else ""
        raise LocalError(
            f"nothing can be saved in {output.quoted(folder)} ({failed.strerror or failed}): {so}"
            "give another folder with --save"
        ) from None


def save_whole(folder: Path, files: Mapping[str, bytes], *, what: str) -> list[Path]:
    """Write the files, each whole or not at all. LocalError when the disk does not take them."""
    saved = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            with tempfile.NamedTemporaryFile(dir=folder, delete=False) as made:
                made.write(data)
            written = Path(made.name)
            written.chmod(0o644)
            saved.append(written.replace(folder / name))
    except OSError as failed:
        raise LocalError(
            f"{what} can be saved in {output.quoted(folder)} ({failed.strerror or failed}); "
            "give another folder with --save"
        ) from None
    return saved
