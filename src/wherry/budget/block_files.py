"""Put the files of a rewritten plan into a folder: all of them or none, and none over another one unless told to."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from wherry.checks.check import check
from wherry.errors import LocalError
from wherry.findings import Finding, Level
from wherry.plan import load
from wherry.plan.model import Plan


def write_all(
    folder: Path, files: Mapping[str, bytes], *, over_others: bool, judge: Callable[[Path], None]
) -> list[Path]:
    """Write ``files`` (names relative to ``folder``) and return where they are; those that are there already with the
    same content are left alone. ``judge`` sees them in a folder of their own first, and may refuse. LocalError if
    something is in the way or the disk does not take them: then nothing is there that was not before.
    """
    there = [name for name in files if (folder / name).exists()]
    same = {name for name in there if _holds(folder / name, files[name])}
    for name in there:
        if name not in same and not over_others:
            raise LocalError(
                f"{folder / name} is there already, and was not touched: give another folder with --save, "
                "or --force to write over it"
            )
        if (folder / name).is_dir():
            raise LocalError(f"{folder / name} is a folder: give another one with --save")
    made: list[Path] = []
    try:
        with tempfile.TemporaryDirectory(prefix=".wherry-", dir=folder) as apart:
            for name, data in files.items():
                (Path(apart) / name).parent.mkdir(parents=True, exist_ok=True)
                (Path(apart) / name).write_bytes(data)
            judge(Path(apart))
            for name in files:
                if name not in same:
                    _put(Path(apart) / name, folder / name, made, over_others=over_others)
    except BaseException as failed:
        for each in made:
            with contextlib.suppress(OSError):
                each.unlink()
        if not isinstance(failed, OSError):
            raise
        raise LocalError(
            f"the files cannot be written in {folder} ({failed.strerror or failed}): nothing was written; "
            "give another folder with --save"
        ) from None
    return [folder / name for name in files if name not in same]


def _put(ready: Path, place: Path, made: list[Path], *, over_others: bool) -> None:
    """One file goes to its place. What is new is noted in ``made``."""
    place.parent.mkdir(parents=True, exist_ok=True)
    if not place.exists():
        # Nobody else's file of that name can come in between.
        with place.open("xb"):
            made.append(place)
    elif not over_others:
        raise OSError(f"{place.name} has come to be in the meantime")
    else:
        with contextlib.suppress(OSError):
            shutil.copymode(place, ready)
    ready.replace(place)


def _holds(place: Path, data: bytes) -> bool:
    try:
        return place.stat().st_size == len(data) and place.read_bytes() == data
    except OSError:
        return False


def must_mean(wanted: Plan, path: Path, permitted: frozenset[str]) -> None:
    """LocalError unless the file at ``path`` says exactly what is wanted, and has no errors but permitted ones."""
    loaded = load(path)
    errors = [each for each in check(loaded) if each.level is Level.ERROR and each.name not in permitted]
    if errors:
        raise LocalError(f"the plan with the block would not pass: {sentence_of(errors[0])}; nothing was written")
    if _without_places(loaded.plan) != _without_places(wanted):
        raise LocalError(
            "the plan cannot be rewritten as it is written down: what was made of it does not mean what was proposed; "
            "nothing was written"
        )


def sentence_of(finding: Finding) -> str:
    """A finding in a sentence of another one."""
    return f"{finding.message} [{finding.name}]"


def _without_places(plan: Plan) -> Plan:
    """The plan without what only tells where in a file something stands."""
    return replace(
        plan,
        file="",
        transfers=tuple(
            replace(each, values=tuple(replace(value, path=()) for value in each.values)) for each in plan.transfers
        ),
    )
