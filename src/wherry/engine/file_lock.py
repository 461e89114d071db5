"""A file that one process holds at a time. The system lets go of it when the process ends, however it ends."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import BinaryIO


def lock(path: Path) -> BinaryIO | None:
    """Hold the file until what is returned is closed; None when another process holds it. OSError if it cannot be."""
    file = path.open("ab")
    try:
        if _try(file):
            return file
    except BaseException:
        file.close()
        raise
    file.close()
    return None


if sys.platform == "win32":
    import msvcrt

    def _try(file: BinaryIO) -> bool:
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try(file: BinaryIO) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
