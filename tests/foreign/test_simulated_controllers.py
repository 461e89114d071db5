"""Other people's clients on the simulated controllers of the hatchery example: what is declared is what they meet."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import pytest

pytestmark = pytest.mark.foreign
CLIENTS = ("c_client", "pymodbus_client")

Start = Callable[..., Any]
Ask = Callable[..., list[dict[str, Any]]]


@pytest.mark.parametrize("client", CLIENTS)
def test_limits_and_moving_values(client: str, start_peer: Start, ask_with: Ask) -> None:
    """The skid gives at most 60 registers; its oxygen moves between 6.5 and 11, low word first; its counter counts."""
    peer = start_peer("our_simulated", "skid")
    most, too_many, *oxygen, first, second = ask_with(
        client, peer.port, "03:0:60", "03:0:61", "03:0:2", "03:0:2", "03:0:2", "03:9:1", "03:9:1"
    )
    assert len(most["values"]) == 60
    assert too_many == {"exception": 3}
    for low, high in (answer["values"] for answer in oxygen):
        (value,) = struct.unpack(">f", struct.pack(">HH", high, low))
        assert 6.5 <= value <= 11
    assert 0 <= second["values"][0] - first["values"][0] <= 100
    assert peer.finish() == {"requests": 7, "writes": 0}


@pytest.mark.parametrize("client", CLIENTS)
def test_holes_and_writes(client: str, start_peer: Start, ask_with: Ask) -> None:
    """The hall refuses its hole, at the edges too, and keeps what it is given elsewhere."""
    peer = start_peer("our_simulated", "hall")
    words = ",".join(map(str, range(60)))
    answers = ask_with(
        client, peer.port, "03:199:1", "03:199:2", "03:299:1", "03:300:1", "06:200:1", f"10:400:{words}", "03:400:60"
    )
    before, into, last, behind, write, whole, back = answers
    assert len(before["values"]) == len(behind["values"]) == 1
    assert into == last == write == {"exception": 2}
    assert whole == {"values": []}
    assert back == {"values": list(range(60))}
    assert ask_with(client, peer.port, f"10:400:{words},60") == [{"exception": 3}]
