"""Addresses of controllers."""

from __future__ import annotations

import contextlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.plan.connect import PATTERN, parse_connect
from wherry.plan.model import Framing
from wherry.plan.wording import TextError


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("tcp://10.20.0.11", (Framing.MBAP, "10.20.0.11", 502)),
        ("tcp://10.20.0.11:1502", (Framing.MBAP, "10.20.0.11", 1502)),
        ("tcp://skid.hatchery.example", (Framing.MBAP, "skid.hatchery.example", 502)),
        ("tcp://skid_1", (Framing.MBAP, "skid_1", 502)),
        ("tcp://[fd00::11]", (Framing.MBAP, "fd00::11", 502)),
        ("tcp://[fd00::11]:1502", (Framing.MBAP, "fd00::11", 1502)),
        ("rtu+tcp://10.20.0.12:4001", (Framing.RTU, "10.20.0.12", 4001)),
    ],
)
def test_framing_host_and_port(text: str, parts: tuple[Framing, str, int]) -> None:
    assert parse_connect(text) == parts
    assert re.search(PATTERN, text)


@pytest.mark.parametrize(
    ("text", "message", "pointed", "fix"),
    [
        ("10.20.0.11", "the kind of connection is missing", None, "write `tcp://10.20.0.11`"),
        ("10.20.0.11:502", "the kind of connection is missing", None, "write `tcp://10.20.0.11:502`"),
        ("tpc://skid", "there is no kind of connection `tpc`", "tpc", "write `tcp://skid`"),
        ("http://skid", "there is no kind of connection `http`", "http", "write `tcp://skid`"),
        ("modbus://skid:1502", "there is no kind of connection `modbus`", "modbus", "write `tcp://skid:1502`"),
        ("tcp://skid/1", "nothing may follow the host and port", "/1", "take `/1` away"),
        ("tcp://me@skid", "a name or password has no place here", "@skid", "write `tcp://host:port` only"),
        ("tcp://", "the host is missing", None, "write the address or name of the controller after `://`"),
        ("tcp://10.20.0.256", "`10.20.0.256` is no IPv4 address", "10.20.0.256",
         "write four numbers from 0 to 255, without leading zeros"),
        ("tcp://10.20.0", "`10.20.0` is no IPv4 address", "10.20.0",
         "write four numbers from 0 to 255, without leading zeros"),
        ("tcp://[fd00::x]", "`[fd00::x]` is no IPv6 address", "[fd00::x]", "write it like `[fd00::11]`"),
        ("tcp://skid:0", "`0` is no port number", "0", "write a number from 1 to 65535"),
        ("tcp://skid:65536", "`65536` is no port number", "65536", "write a number from 1 to 65535"),
        ("tcp://skid:", "the port is missing after the colon", "",
         "write a number from 1 to 65535, or take the colon away"),
        ("tcp://sk id", "nothing may follow the host and port", " id", "take ` id` away"),
        ("tcp://skíd", "`skíd` is no host name", "skíd", "write letters, digits, hyphens and dots only"),
        ("tcp://-skid", "`-skid` is no host name", "-skid", "write letters, digits, hyphens and dots only"),
        ("rtu+tcp://skid", "the port is missing: there is no usual one for serial framing on TCP", None,
         "write `rtu+tcp://skid:` and the port of the device"),
        ("", "the address is empty", None, "write it like `tcp://10.20.0.11`"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused(text: str, message: str, pointed: str | None, fix: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_connect(text)
    assert (caught.value.name, caught.value.message, caught.value.fix) == ("bad-connect", message, fix)
    offset = caught.value.offset
    assert (text[slice(*offset)] if offset else None) == pointed


@given(st.text(max_size=40) | st.from_regex(r"(rtu\+)?tcp://[^\n]{0,20}", fullmatch=True))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(TextError):
        _, host, port = parse_connect(text)
        assert host
        assert 1 <= port <= 65535
        assert re.search(PATTERN, text)
