"""What a record says of the plan and of the command that writes."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from wherry import __version__
from wherry.clock import wall_time_text
from wherry.errors import LocalError
from wherry.plan import Loaded
from wherry.plan.model import Transfer, Value
from wherry.record.entries import FORMAT, Entry, Kind, text_digest
from wherry.record.file import BYTES_MAX, RecordFile


def plan_data(loaded: Loaded) -> dict[str, Any]:
    """What a ``plan`` entry says: the text, its digest, the digests of the lists beside it, and what it comes to."""
    document, plan = loaded.document, loaded.plan
    lists = sorted({each.file for each in document.lists.values()})
    return {
        "file": Path(document.file).name,
        "title": plan.title,
        "digest": text_digest(document.text),
        "text": document.text,
        "lists": [{"file": Path(each).name, "digest": _file_digest(Path(each))} for each in lists],
        "controllers": {
            each.name: {"address": f"{each.host}:{each.port}", "unit": each.unit} for each in plan.controllers
        },
        "transfers": {each.name: _transfer(each) for each in plan.transfers},
    }


def _transfer(transfer: Transfer) -> dict[str, Any]:
    return {
        "from": transfer.source,
        "to": transfer.destination,
        "period_ns": transfer.period_ns,
        "max_age_ns": transfer.max_age_ns,
        "values": [_value(each) for each in transfer.values],
    }


def _value(value: Value) -> dict[str, str]:
    return {"name": value.name, "unit": value.unit, "take": str(value.take), "put": str(value.put)}


def _file_digest(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def open_record(
    path: Path,
    by: str,
    loaded: Loaded,
    *,
    is_simulated: bool,
    bytes_max: int = BYTES_MAX,
    is_durable: bool = True,
    more: Mapping[str, Any] | None = None,
) -> RecordFile:
    """Open a record for a command and write down what it is about to do; a file that is there already goes on.

    ``by`` names the command, ``more`` is added to the ``opened`` entry. Without wall time where all is simulated, so
    that the same seed gives the same record. LocalError with a sentence when it cannot be.
    """
    utc = None if is_simulated else wall_time_text()
    try:
        file = RecordFile(path, bytes_max=bytes_max, is_durable=is_durable)
        try:
            file.append(_beginning(file, by, loaded, utc, is_simulated, more or {}))
        except BaseException:
            file.close(is_whole=False)
            raise
    except (OSError, sqlite3.Error) as failed:
        reason = (failed.strerror if isinstance(failed, OSError) else None) or failed
        raise LocalError(
            f"the record {path} cannot be opened ({reason}): nothing was started; give another place with --record"
        ) from None
    return file


def _beginning(
    file: RecordFile, by: str, loaded: Loaded, utc: str | None, is_simulated: bool, more: Mapping[str, Any]
) -> list[Entry]:
    data = plan_data(loaded)
    before = file.last_plan()
    entries = [] if before is not None and before[1] == data else [Entry(Kind.PLAN, 0, utc, data)]
    number = file.number + 1 if entries or before is None else before[0]
    opened = {
        "by": by,
        "format": FORMAT,
        "version": __version__,
        "is_simulated": is_simulated,
        "plan": number,
        "bytes_max": file.bytes_max,
        **more,
    }
    return [*entries, Entry(Kind.OPENED, 0, utc, opened)]
