"""Traffic of real devices: our readers count what two independent analysers counted, function code by function code.

The captures are not part of this repository (their index tells origin and licence). They are data only: the addresses
in them are never a target. Without them these tests skip, and say so.
"""

from __future__ import annotations

import ast
import re
import struct
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from wherry.errors import PeerError
from wherry.protocol.mbap import MbapFrame, MbapReader
from wherry.protocol.pdu import decode_request, decode_response

CAPTURES = Path(__file__).parents[2].parent / "shared" / "reference" / "captures"
MODBUS_PORT = 502
Flow = tuple[bytes, int, bytes, int]


def captured(name: str) -> Path:
    path = CAPTURES / name
    if not path.exists():
        pytest.skip(f"the capture {name} is not here: it is kept outside the repository, in {CAPTURES}")
    return path


# A capture file to TCP segments: only what these files need (Ethernet, IPv4, little-endian files of both formats).


def packets(data: bytes) -> Iterator[bytes]:
    if data[:4] == b"\xd4\xc3\xb2\xa1":
        at = 24
        while at + 16 <= len(data):
            (size,) = struct.unpack_from("<I", data, at + 8)
            yield data[at + 16 : at + 16 + size]
            at += 16 + size
        return
    assert data[:4] == b"\x0a\x0d\x0d\x0a", "neither pcap nor pcapng"
    at = 0
    while at + 12 <= len(data):
        kind, size = struct.unpack_from("<II", data, at)
        if kind == 6:  # enhanced packet block
            (captured_size,) = struct.unpack_from("<I", data, at + 20)
            yield data[at + 28 : at + 28 + captured_size]
        at += size


@dataclass
class Segment:
    flow: Flow
    sequence: int
    is_first: bool
    payload: bytes


def segments(data: bytes) -> Iterator[Segment]:
    for packet in packets(data):
        at = 12
        while packet[at : at + 2] == b"\x81\x00":  # VLAN tag
            at += 4
        if packet[at : at + 2] != b"\x08\x00":
            continue
        ip = packet[at + 2 :]
        if ip[9] != 6:
            continue
        head = 4 * (ip[0] & 15)
        tcp = ip[head : struct.unpack_from(">H", ip, 2)[0]]
        source, destination, sequence = struct.unpack_from(">HHI", tcp)
        if MODBUS_PORT in (source, destination):
            yield Segment(
                (ip[12:16], source, ip[16:20], destination), sequence, bool(tcp[13] & 2), tcp[4 * (tcp[12] >> 4) :]
            )


@dataclass
class Stream:
    """One direction of one connection: bytes in order, each once."""

    following: int | None = None
    early: dict[int, bytes] = field(default_factory=dict)
    reader: MbapReader = field(default_factory=MbapReader)
    frames: list[MbapFrame] = field(default_factory=list)
    positions: list[int] = field(default_factory=list)
    """For each frame, at which packet of the capture it was complete."""

    def take(self, segment: Segment, position: int) -> None:
        if segment.is_first:
            self.following = (segment.sequence + 1) & 0xFFFFFFFF
        if not segment.payload:
            return
        if self.following is None:
            self.following = segment.sequence
        self.early.setdefault(segment.sequence, segment.payload)
        while self.following in self.early:
            self._read(self.early.pop(self.following), position)

    def _read(self, payload: bytes, position: int) -> None:
        assert self.following is not None
        self.following = (self.following + len(payload)) & 0xFFFFFFFF
        if self.reader.error is None:
            self.frames += self.reader.feed(payload)
        self.positions += [position] * (len(self.frames) - len(self.positions))

    def end(self, position: int) -> None:
        """A gap stays a gap: go on behind it, where the next segment begins."""
        for sequence in sorted(self.early):
            if self.following is not None and (sequence - self.following) & 0xFFFFFFFF < 1 << 31:
                self.following = sequence
                self._read(self.early[sequence], position)


def streams(data: bytes) -> list[tuple[Stream, Stream]]:
    """What went to port 502 and what came from it, for each connection; a port used again is a new one."""
    connections: list[dict[bool, Stream]] = []
    current: dict[frozenset[tuple[bytes, int]], dict[bool, Stream]] = {}
    position = 0
    for position, segment in enumerate(segments(data)):
        source, source_port, destination, port = segment.flow
        ends = frozenset(((source, source_port), (destination, port)))
        is_request = port == MODBUS_PORT
        if ends not in current or (segment.is_first and is_request):
            current[ends] = defaultdict(Stream)
            connections.append(current[ends])
        current[ends][is_request].take(segment, position)
    for each in connections:
        for stream in each.values():
            stream.end(position)
    return [(each[True], each[False]) for each in connections]


def counted_before(name: str) -> tuple[Counter[int], Counter[int]]:
    """Requests and responses by function code, from the index beside the captures."""
    text = captured("INDEX.md").read_text()
    section = text[text.index(f"### {name}") :]
    match = re.search(r"function codes asked: (\{.*?\}); answered: (\{.*?\})", section)
    assert match is not None
    asked, answered = (ast.literal_eval(each) for each in match.groups())
    return Counter({int(code): count for code, count in asked.items()}), Counter(
        {int(code): count for code, count in answered.items()}
    )


COUNTED = (
    "01_icsnpp_all_function_codes.pcap",
    "02_zeek_modbusSmall.pcap",
    "03_zeek_modbusBig.pcap",
    "05_zeek_modbus_eit.pcap",
    "06_zeek_mixed_on_port_502.pcap",
    "07_zeek_fuzz_1011.pcap",
    "09_iti_plant1_ModbusTCP.pcap",
    "11_iti_modbus_test_many_clients.pcap",
    "15_ipal_small.pcap",
)


@pytest.mark.parametrize("name", COUNTED)
def test_as_many_of_each_function_as_others_counted(name: str) -> None:
    connections = streams(captured(name).read_bytes())
    asked, answered = counted_before(name)
    assert Counter(frame.pdu[0] for requests, _ in connections for frame in requests.frames) == asked
    assert Counter(frame.pdu[0] for _, responses in connections for frame in responses.frames) == answered


def pairs(name: str) -> list[tuple[MbapFrame, MbapFrame]]:
    """Each response with the last request before it that has its transaction id, on its connection, once."""
    found = []
    for requests, responses in streams(captured(name).read_bytes()):
        waiting: dict[int, MbapFrame] = {}
        passing = [(position, 0, frame) for position, frame in zip(requests.positions, requests.frames, strict=True)]
        passing += [(position, 1, frame) for position, frame in zip(responses.positions, responses.frames, strict=True)]
        for _, is_response, frame in sorted(passing, key=lambda each: each[:2]):
            if not is_response:
                waiting[frame.transaction] = frame
            elif frame.transaction in waiting:
                found.append((waiting.pop(frame.transaction), frame))
    return found


def misfits(name: str) -> tuple[int, list[tuple[str, str]]]:
    """How many responses fit their requests, and those pairs that do not, in hex."""
    bad = []
    matched = pairs(name)
    for request, response in matched:
        try:
            decode_response(decode_request(request.pdu), response.pdu)
        except PeerError:
            bad.append((request.pdu.hex(" "), response.pdu.hex(" ")))
    return len(matched) - len(bad), bad


@pytest.mark.parametrize(
    ("name", "fitting"),
    [
        ("02_zeek_modbusSmall.pcap", 16),
        ("03_zeek_modbusBig.pcap", 2774),
        ("06_zeek_mixed_on_port_502.pcap", 6),
        ("09_iti_plant1_ModbusTCP.pcap", 7983),
        ("15_ipal_small.pcap", 5),
    ],
)
def test_what_real_devices_answered_fits_what_they_were_asked(name: str, fitting: int) -> None:
    assert misfits(name) == (fitting, [])


def test_requests_for_no_file_at_all() -> None:
    """The standard wants a byte count of 7 at least for 14, and of 9 for 15 (V1.1b3, 6.14 and 6.15)."""
    assert misfits("01_icsnpp_all_function_codes.pcap") == (22, [("14 00", "14 00"), ("15 00", "15 00")])


def test_an_identification_with_bytes_behind_its_end() -> None:
    """Conformity level 00, "more follows" 4D, no objects, and four bytes more: no device should, this one does."""
    expected = ("2b 0e 01 00", "2b 0e 01 00 4d b7 00 00 00 00 00")
    assert misfits("05_zeek_modbus_eit.pcap") == (1, [expected])


def test_the_answer_to_another_write_under_the_same_id() -> None:
    """A client used an id again while its first request was not answered: only the echo tells the answers apart."""
    expected = ("06 00 05 36 c1", "06 00 04 09 c4")
    assert misfits("11_iti_modbus_test_many_clients.pcap") == (1112, [expected])


@pytest.mark.parametrize(
    ("name", "reason"),
    [("04_zeek_4SICS_min_fc23_lengths.pcap", "byte count|bytes follow"), ("07_zeek_fuzz_1011.pcap", "147 registers")],
)
def test_requests_that_contradict_themselves(name: str, reason: str) -> None:
    requests = [frame for requests, _ in streams(captured(name).read_bytes()) for frame in requests.frames]
    with pytest.raises(PeerError, match=reason):
        decode_request(requests[0].pdu)
