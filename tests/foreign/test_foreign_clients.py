"""Other people's clients against our responder: pymodbus, and a C client on libmodbus."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = pytest.mark.foreign
CLIENTS = ("c_client", "pymodbus_client")

Start = Callable[..., Any]
Ask = Callable[..., list[dict[str, Any]]]

COMMON: tuple[tuple[str, dict[str, Any]], ...] = (
    # Requests that both clients know, in this order on one server, and the answers.
    ("01:0:20", {"values": [int(i % 3 == 0) for i in range(20)]}),
    ("01:7:2", {"values": [0, 0]}),
    ("02:0:16", {"values": [int(i % 5 == 0) for i in range(16)]}),
    ("03:0:10", {"values": [0x1000 + i for i in range(10)]}),
    ("03:75:125", {"values": [0x1000 + i for i in range(75, 200)]}),
    ("04:198:2", {"values": [0x20C6, 0x20C7]}),
    ("05:1:1", {"values": []}),
    ("05:0:0", {"values": []}),
    ("01:0:4", {"values": [0, 1, 0, 1]}),
    ("06:4:65535", {"values": []}),
    ("03:3:3", {"values": [0x1003, 0xFFFF, 0x1005]}),
    ("0F:3:0,1,1,0,1,1,0,1,1,0", {"values": []}),
    ("01:2:12", {"values": [0, 0, 1, 1, 0, 1, 1, 0, 1, 1, 0, 0]}),
    ("10:10:0,32768,65535", {"values": []}),
    ("03:9:5", {"values": [0x1009, 0, 0x8000, 0xFFFF, 0x100D]}),
    ("16:5:242:37", {"values": []}),
    ("03:5:1", {"values": [0x0005]}),
    ("17:19:4:20:7,8", {"values": [0x1013, 7, 8, 0x1016]}),
    ("03:199:2", {"exception": 2}),
    ("01:200:1", {"exception": 2}),
    ("06:200:1", {"exception": 2}),
    ("10:199:1,2", {"exception": 2}),
    ("17:0:1:200:1", {"exception": 2}),
    ("07", {"values": [0x6D]}),
    ("03:198:2", {"values": [0x10C6, 0x10C7]}),
)

RARER: tuple[tuple[str, dict[str, Any]], ...] = (
    ("08:0:4660", {"values": [4660]}),
    ("08:10:0", {"values": [0]}),
    ("08:11:0", {"values": [1]}),
    ("0B", {"values": [0, 2]}),
    ("14:4:2:3", {"values": [0x3002, 0x3003, 0x3004]}),
    ("15:4:2:9,8", {"values": []}),
    ("14:4:1:4", {"values": [0x3001, 9, 8, 0x3004]}),
    ("18:30", {"values": [0x01B8, 0x1284]}),
    ("18:31", {"exception": 2}),
    ("2B:1:0", {"values": list(b"hatcheryskid1.0")}),
    ("2B:4:1", {"values": list(b"skid")}),
    ("11", {"values": [0x2A, 1]}),
)


@pytest.mark.parametrize("client", CLIENTS)
def test_the_common_functions(client: str, start_peer: Start, ask_with: Ask) -> None:
    requests = [request for request, _ in COMMON]
    answers = ask_with(client, start_peer("our_server").port, *requests)
    assert list(zip(requests, answers, strict=True)) == list(COMMON)


def test_the_rarer_functions(start_peer: Start, ask_with: Ask) -> None:
    requests = [request for request, _ in RARER]
    answers = ask_with("pymodbus_client", start_peer("our_server").port, *requests)
    assert list(zip(requests, answers, strict=True)) == list(RARER)


def test_server_id_as_the_c_library_reads_it(start_peer: Start, ask_with: Ask) -> None:
    assert ask_with("c_client", start_peer("our_server").port, "11") == [{"values": [0x2A, 0xFF]}]


def test_rtu_frames_over_tcp(start_peer: Start, ask_with: Ask) -> None:
    requests = [request for request, _ in COMMON]
    port = start_peer("our_server", "--framing", "rtu").port
    answers = ask_with("pymodbus_client", port, *requests, options=("--framing", "rtu"))
    assert list(zip(requests, answers, strict=True)) == list(COMMON)


def test_two_clients_share_one_server(start_peer: Start, ask_with: Ask) -> None:
    port = start_peer("our_server").port
    ask_with("c_client", port, "10:0:1,2,3")
    assert ask_with("pymodbus_client", port, "03:0:3") == [{"values": [1, 2, 3]}]
    ask_with("pymodbus_client", port, "06:1:9")
    assert ask_with("c_client", port, "03:0:3") == [{"values": [1, 9, 3]}]
