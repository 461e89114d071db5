"""The text of a first plan, with comments that say what to change."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

SOURCE = "skid"
DESTINATION = "hall"


@dataclass(frozen=True)
class Answers:
    """What a first plan needs to be told. The defaults make a complete example."""

    title: str = "Hatchery water exchange"
    source: str = SOURCE
    source_connect: str = "tcp://10.20.0.11"
    destination: str = DESTINATION
    destination_connect: str = "tcp://10.20.0.12"
    every: str = "200 ms"
    values_file: str = ""
    """A list of values beside the plan; without one the plan holds two example values."""


def starter(answers: Answers = Answers()) -> str:
    """A commented plan. It is sound as it stands; only the places in the controllers are examples.

    The answers must be good ones: names that are printable, addresses and a period that can be read.
    """
    return TEXT.format(
        title=toml_string(answers.title),
        source=toml_key(answers.source),
        source_text=toml_string(answers.source),
        source_connect=toml_string(answers.source_connect),
        destination=toml_key(answers.destination),
        destination_text=toml_string(answers.destination),
        destination_connect=toml_string(answers.destination_connect),
        every=toml_string(answers.every),
        values=VALUES_FILE.format(file=toml_string(answers.values_file)) if answers.values_file else VALUES,
    )


def toml_string(text: str) -> str:
    """A text in quotes, as TOML reads it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(name: str) -> str:
    """A name as part of a key: in quotes if it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_string(name)


TEXT = """\
# A plan of Wherry: which values go from which controller to which, where, and how often.
# After each change: `wherry check` with this file's name. Editors complete and check while you write if you give them
# the output of `wherry schema`.
title = {title}

# The controllers. `unit` is the unit id; ask the device's manual, 1 is usual for a device with an address of its own.
[controller.{source}]
connect = {source_connect}           # add :port if it is not 502
unit    = 1
# limits = {{ read = 125, write = 123, in_flight = 1, connections = 1, gap = "0 s", timeout = "1 s" }}

[controller.{destination}]
connect = {destination_connect}
unit    = 1
# when_silent = "holds"                  # what it does when nothing is written any more: try it (holds, stops ...)
storage = "volatile"                     # non-volatile where written values outlast a power cut: that memory wears out

# What is carried. All values of a transfer are read together and written together, once in each period.
[transfer.water]
from    = {source_text}
to      = {destination_text}
every   = {every}
on_loss = "hold"                         # or "substitute": then each value needs a `substitute`
# max_age = "1 s"                        # older than this is not put any more; five periods unless said
# alive   = "holding 9"                  # a counter that the source's own program keeps moving
# status  = "holding 90"                 # 4 free registers in the destination: heartbeat, quality, age in ms, sequence
{values}
# Registers that are carried as they are:
# copy = {{ take = "holding 0..9", put = "holding 200..209" }}
"""

VALUES = """\

# A place is a table (coil, discrete, input, holding), an address counted from zero, and for numbers a type (int16,
# uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32) and a byte order (ABCD, CDAB, BADC, DCBA). A
# manual's number counted from one, such as 40001, may stand alone instead of table and address.
values = [
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 int16", scale = [0, 20, 0, 2000], \
range = [0, 20] },
  { name = "pump 1 running", take = "holding 12.3", put = "coil 5" },
]
"""

VALUES_FILE = """\

# The list lies beside this plan. Its first row names the columns: name, take, put, and whichever else is needed of
# take_scale, scale, unit, put_unit, range, not_available, jump, counter, modulus, clamp, rounding,
# deadband, shortest, refresh, step, on_step, verify, verify_at, tolerance, substitute, group, storage.
values = {file}
"""
