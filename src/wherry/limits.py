"""Every bound, once, with its source.

AP is the MODBUS Application Protocol Specification V1.1b3 (2012), MG the MODBUS Messaging on TCP/IP Implementation
Guide V1.0b (2006), SL the MODBUS over Serial Line Specification V1.02 (2006). Bounds of ours say so.
"""

from __future__ import annotations

from typing import Final

# Sizes in bytes.
PDU_BYTES_MAX: Final = 253  # AP 4.1, page 5
MBAP_BYTES: Final = 7  # MG 3.1.3, page 5
TCP_ADU_BYTES_MAX: Final = 260  # AP 4.1, page 5
RTU_ADU_BYTES_MAX: Final = 256  # AP 4.1, page 5; SL 2.5.1, page 13
RTU_ADU_BYTES_MIN: Final = 4  # address, function, CRC: SL 2.5.1, page 13

# Address space.
ITEMS_PER_TABLE: Final = 65536  # AP 4.3, page 6
ADDRESS_MAX: Final = ITEMS_PER_TABLE - 1
REGISTER_BITS: Final = 16

# Quantities in one request.
READ_BITS_MAX: Final = 2000  # AP 6.1, page 11
READ_REGISTERS_MAX: Final = 125  # AP 6.3, page 15
WRITE_BITS_MAX: Final = 1968  # AP 6.11, page 29
WRITE_REGISTERS_MAX: Final = 123  # AP 6.12, page 30
READ_WRITE_READ_MAX: Final = 125  # AP 6.17, page 38
READ_WRITE_WRITE_MAX: Final = 121  # AP 6.17, page 38
FIFO_COUNT_MAX: Final = 31  # AP 6.18, page 40
FILE_NUMBER_MIN: Final = 1  # AP 6.14, page 32
FILE_NUMBER_MAX: Final = 65535
FILE_RECORD_MAX: Final = 9999  # AP 6.14, page 32
FILE_READ_BYTES_MIN: Final = 7  # AP 6.14, page 33
FILE_READ_BYTES_MAX: Final = 245
FILE_WRITE_BYTES_MIN: Final = 9  # AP 6.15, page 34
FILE_WRITE_BYTES_MAX: Final = 251

# Addressing of devices.
TCP_PORT_DEFAULT: Final = 502  # MG page 6
UNIT_MAX: Final = 255  # one byte: MG 3.1.3
UNIT_BROADCAST: Final = 0  # SL 2.2, page 8
UNIT_SERIAL_MAX: Final = 247  # SL 2.2, page 8
TRANSACTION_IDS: Final = 65536  # two bytes: MG 3.1.3
IN_FLIGHT_MAX: Final = 16  # NumberMaxOfClientTransaction, MG 4.4.1.1, page 23

# Bounds of ours.
LATE_IDS_MAX: Final = 64  # unanswered transactions remembered after their time-out; one more and the link is reset
TIMEOUTS_BEFORE_RECONNECT: Final = 3  # time-outs in a row that make a connection suspect
FAILURES_BEFORE_BACKOFF: Final = 2  # a single lost reply is no reason to leave a unit alone
PROBE_SHARE: Final = 10  # asking units that do not answer takes at most this part (a tenth) of a line's time
PROBE_WAIT_NS: Final = 500_000_000  # the first wait before such a unit is asked again; the waits double
SILENT_TIMEOUTS_MAX: Final = 5  # time-outs without any answer that do so where requests come seldom
CONNECTS_PER_HOUR_MAX: Final = 100_000  # more is no limit: each takes longer than a network's round trip
CONNECTIONS_MAX: Final = 16  # connections to one controller: more than any small device serves
PLAN_BYTES_MAX: Final = 64 * 1024 * 1024
PERIOD_NS_MIN: Final = 1_000_000  # 1 ms: shorter is beyond what the event loop can keep
PERIOD_NS_MAX: Final = 24 * 3600 * 1_000_000_000
TRIES_MAX: Final = 10  # readings of one cycle that may be torn before it is given up
VERIFY_PERIODS_MAX: Final = 1000  # periods until a place must show what was put: the puts of this time are kept
ANSWER_REGISTERS: Final = 3  # to a command: request number, outcome, result
BAUD_MIN: Final = 50  # bits a second: no serial line of today is slower
BAUD_MAX: Final = 10_000_000  # RS-485 goes no faster (from memory)
ENDURANCE_MAX: Final = 10**15  # writes: more than any memory stands
STATUS_REGISTERS: Final = 4  # heartbeat, quality, age in ms, sequence

assert PDU_BYTES_MAX + MBAP_BYTES == TCP_ADU_BYTES_MAX
assert PDU_BYTES_MAX + 3 == RTU_ADU_BYTES_MAX
assert 2 + 2 * READ_REGISTERS_MAX <= PDU_BYTES_MAX
assert 6 + 2 * WRITE_REGISTERS_MAX <= PDU_BYTES_MAX
assert 6 + (WRITE_BITS_MAX + 7) // 8 <= PDU_BYTES_MAX
assert 2 + (READ_BITS_MAX + 7) // 8 <= PDU_BYTES_MAX
assert 10 + 2 * READ_WRITE_WRITE_MAX <= PDU_BYTES_MAX
assert SILENT_TIMEOUTS_MAX > TIMEOUTS_BEFORE_RECONNECT
assert LATE_IDS_MAX + IN_FLIGHT_MAX < TRANSACTION_IDS
