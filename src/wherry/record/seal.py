"""The seal: what makes a change of any byte of a closed record visible, also between its entries.

Page 2 of the file holds a mark of 16 bytes and, behind it, 32 bytes: zeros while somebody writes, and after a clean
close the SHA-256 of the whole file with these 32 bytes as zeros. It is written past SQLite, when nobody has the file
open for writing. It guards against accidents; against a forger, who can make a new seal, only the head helps that was
printed and signed before.
"""

from __future__ import annotations

import hashlib
import os
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO, Final

MARK: Final = b"wherry seal 0001"
SEAL_BYTES: Final = 32
OPEN: Final = bytes(SEAL_BYTES)
PAGE_BYTES: Final = 4096
CHUNK_BYTES: Final = 1024 * 1024

assert len(MARK) == 16


class SealState(StrEnum):
    """What the seal says."""

    WHOLE = "whole"
    OPEN = "open"
    """Somebody writes, or whoever wrote was killed."""
    BROKEN = "broken"


def seal_place(file: BinaryIO) -> int | None:
    """Where the 32 bytes stand in the file; None if there is no mark, or more than one."""
    file.seek(PAGE_BYTES)
    page = file.read(PAGE_BYTES)
    at = page.find(MARK)
    if at < 0 or page.count(MARK) != 1 or at + len(MARK) + SEAL_BYTES > len(page):
        return None
    return PAGE_BYTES + at + len(MARK)


def file_digest(file: BinaryIO, place: int) -> bytes:
    """SHA-256 of a file with the seal taken as zeros."""
    digest = hashlib.sha256()
    file.seek(0)
    digest.update(file.read(place))
    digest.update(OPEN)
    file.seek(place + SEAL_BYTES)
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.digest()


def look(path: Path) -> SealState:
    """What the seal of a file says. OSError if it cannot be read."""
    with path.open("rb") as file:
        place = seal_place(file)
        if place is None:
            return SealState.BROKEN
        file.seek(place)
        seal = file.read(SEAL_BYTES)
        if seal == OPEN:
            return SealState.OPEN
        return SealState.WHOLE if seal == file_digest(file, place) else SealState.BROKEN


def put(path: Path) -> None:
    """Seal a file that nobody has open. OSError if that cannot be done, or if the file has no place for it."""
    with path.open("r+b") as file:
        place = _place(file, path)
        _write(file, place, file_digest(file, place))


def lift(path: Path) -> None:
    """Before anything is written: the file is open from now on. OSError as above."""
    with path.open("r+b") as file:
        _write(file, _place(file, path), OPEN)


def _place(file: BinaryIO, path: Path) -> int:
    place = seal_place(file)
    if place is None:
        raise OSError(f"{path} has no place for a seal")
    return place


def _write(file: BinaryIO, place: int, seal: bytes) -> None:
    file.seek(place)
    file.write(seal)
    file.flush()
    os.fsync(file.fileno())
