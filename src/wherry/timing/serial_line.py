"""How long frames take on a serial line (MODBUS over Serial Line Specification V1.02, 2.5.1 and 2.5.1.1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from wherry.clock import NS_PER_S

CHARACTER_BITS: Final = 11
"""Start, eight data, parity, stop; without parity a second stop bit (2.5.1, page 12)."""
FIXED_ABOVE_BAUD: Final = 19_200
"""Above this rate the two silences have fixed lengths (2.5.1.1, page 13)."""
T1_5_FIXED_NS: Final = 750_000
T3_5_FIXED_NS: Final = 1_750_000
ADDRESS_AND_CRC_BYTES: Final = 3
"""What a frame has beside its PDU: the address and two bytes of CRC (2.5.1, page 13)."""


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A line with RTU frames, by its rate in bits per second."""

    baud: int

    @property
    def character_ns(self) -> int:
        """One character, rounded up."""
        return -(-CHARACTER_BITS * NS_PER_S // self.baud)

    @property
    def t1_5_ns(self) -> int:
        """The longest silence inside a frame."""
        if self.baud > FIXED_ABOVE_BAUD:
            return T1_5_FIXED_NS
        return -(-3 * CHARACTER_BITS * NS_PER_S // (2 * self.baud))

    @property
    def t3_5_ns(self) -> int:
        """The silence that separates two frames."""
        if self.baud > FIXED_ABOVE_BAUD:
            return T3_5_FIXED_NS
        return -(-7 * CHARACTER_BITS * NS_PER_S // (2 * self.baud))

    def frame_ns(self, pdu_bytes: int) -> int:
        """A frame with a PDU of so many bytes, without the silences around it."""
        return -(-(pdu_bytes + ADDRESS_AND_CRC_BYTES) * CHARACTER_BITS * NS_PER_S // self.baud)

    def exchange_ns(self, request_pdu_bytes: int, reply_pdu_bytes: int) -> int:
        """Both frames, and the silence that must come before each of them."""
        return self.frame_ns(request_pdu_bytes) + self.frame_ns(reply_pdu_bytes) + 2 * self.t3_5_ns
