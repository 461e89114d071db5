"""How far a value may be trusted, and why: in the words of OPC UA (Part 8, data access; status codes of Part 4).

The number of a quality is what the status register holds: 0 Bad, 1 Uncertain, 2 Good, so that a cleared register reads
as Bad.
"""

from __future__ import annotations

from enum import Enum, IntEnum


class Quality(IntEnum):
    """Good, Uncertain or Bad; the worse, the smaller."""

    BAD = 0
    UNCERTAIN = 1
    GOOD = 2


class Reason(Enum):
    """Why a value has its quality.

    ``code`` is the OPC UA status code, ``words`` what people read, ``published`` the code's name in OPC UA: that of the
    member, but where we tell apart what OPC UA does not.
    """

    GOOD = (0x00000000, "good")
    GOOD_CLAMPED = (0x00300000, "clamped")
    UNCERTAIN_IDENTITY = (0x420F0000, "from another device than the plan names", "UncertainConfigurationError")
    UNCERTAIN_LAST_USABLE_VALUE = (0x40900000, "last usable value")
    UNCERTAIN_SUBSTITUTE_VALUE = (0x40910000, "substitute value")
    UNCERTAIN_INITIAL_VALUE = (0x40920000, "initial value")
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED = (0x40940000, "engineering units exceeded")
    UNCERTAIN_TOLERATED = (0x40000000, "from a device whose replies break the rules", "Uncertain")
    BAD_DECODING_ERROR = (0x80070000, "not a value of its type (decoding error)")
    BAD_TIMEOUT = (0x800A0000, "timeout")
    BAD_NO_COMMUNICATION = (0x80310000, "no communication")
    BAD_WAITING_FOR_INITIAL_DATA = (0x80320000, "waiting for initial data")
    BAD_OUT_OF_RANGE = (0x803C0000, "out of range")
    BAD_JUMPED = (0x803C0000, "stepped further than it can", "BadOutOfRange")
    BAD_COUNTED_WRONG = (0x803C0000, "a counter that went the wrong way", "BadOutOfRange")
    BAD_CONFIGURATION_ERROR = (0x80890000, "configuration error")
    BAD_DEVICE_FAILURE = (0x808B0000, "device failure")
    BAD_TORN = (0x808B0000, "torn: read in the middle of an update", "BadDeviceFailure")
    BAD_SENSOR_FAILURE = (0x808C0000, "not available (sensor failure)")
    BAD_OUT_OF_SERVICE = (0x808D0000, "out of service")
    BAD_NUMERIC_OVERFLOW = (0x81120000, "does not fit the destination (numeric overflow)")

    def __init__(self, code: int, words: str, published: str = "") -> None:
        self.code = code
        self.words = words
        self.published = published or self.name.title().replace("_", "")
        # Bits 30 and 31 of a status code: 00 good, 01 uncertain, 10 bad (OPC UA Part 4, table 154).
        self.quality = (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD)[code >> 30]
