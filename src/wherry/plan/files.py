"""Reading the files of a plan: bounded, and every failure a sentence."""

from __future__ import annotations

import stat
from pathlib import Path

from wherry.errors import PlanError


def read_bytes(path: Path, bytes_max: int, what: str) -> bytes:
    """All of a file. Raises PlanError if there is none, if it is no plain file, or if it is larger than allowed."""
    try:
        state = path.stat()
        if stat.S_ISDIR(state.st_mode):
            raise PlanError(f"{what} {path} is a folder, not a file")
        if not stat.S_ISREG(state.st_mode):
            # A pipe or a device could be read for ever.
            raise PlanError(f"{what} {path} is not a plain file")
        if state.st_size > bytes_max:
            size = f"{state.st_size / 2**20:,.0f} MiB"
            raise PlanError(f"{what} {path} is too large: {size}, and at most {bytes_max / 2**20:,.0f} MiB are read")
        with path.open("rb") as opened:
            return opened.read(bytes_max + 1)[:bytes_max]
    except FileNotFoundError:
        raise PlanError(f"{what} {path} does not exist; give the path of a file that does") from None
    except NotADirectoryError:
        raise PlanError(f"{what} {path} does not exist: part of the path is a file, not a folder") from None
    except PermissionError:
        raise PlanError(f"{what} {path} may not be read by this user; check its permissions") from None
    except (OSError, ValueError) as failed:  # ValueError: a path that no system could have, with a null character
        reason = getattr(failed, "strerror", None) or str(failed)
        raise PlanError(f"{what} {path} cannot be read: {reason}") from None
