"""The server's side of one connection, without the connection: bytes in, requests out; responses in, bytes out.

Every connection has its own ``ServerSession``; they share one ``Responder``.
"""

from __future__ import annotations

from typing import NamedTuple

from wherry.limits import UNIT_BROADCAST
from wherry.protocol.functions import Framing
from wherry.protocol.mbap import MbapReader, encode_adu
from wherry.protocol.responder import Responder
from wherry.protocol.rtu import Dropped, RtuReader, encode_frame


class Indication(NamedTuple):
    """A request as it arrived. ``transaction`` is 0 with RTU framing."""

    transaction: int
    unit: int
    pdu: bytes


class ServerSession:
    """Frames of one connection. ``must_reset``: the client's bytes have no frames any more; end the connection."""

    __slots__ = ("_mbap", "_rtu", "framing", "must_reset", "reset_reason", "responder")

    def __init__(self, responder: Responder, *, framing: str = Framing.MBAP) -> None:
        self.responder = responder
        self.framing = Framing(framing)
        self._mbap = MbapReader(skips_protocols=True)
        self._rtu = RtuReader(is_reply=False)
        self.must_reset = False
        self.reset_reason = ""

    def take(self, data: bytes) -> list[Indication]:
        """Take bytes as they come; the whole requests among them, in order."""
        if self.must_reset:
            return []
        if self.framing is Framing.RTU:
            return self._take_rtu(data)
        requests = [Indication(*frame) for frame in self._mbap.feed(data)]
        if self._mbap.error is not None:
            self.must_reset = True
            self.reset_reason = str(self._mbap.error)
            self.responder.communication_error()
        return requests

    def _take_rtu(self, data: bytes) -> list[Indication]:
        requests = []
        for frame in self._rtu.feed(data):
            if isinstance(frame, Dropped):
                self.responder.communication_error()
            else:
                requests.append(Indication(0, frame.unit, frame.pdu))
        return requests

    def answer(self, request: Indication) -> bytes | None:
        """The ADU that answers a request; None when nobody answers. The request is carried out now."""
        if self.framing is Framing.RTU and request.unit == UNIT_BROADCAST:
            self.responder.respond_broadcast(request.pdu)
            return None
        pdu = self.responder.respond(request.unit, request.pdu)
        return None if pdu is None else self.encode(request, pdu)

    def encode(self, request: Indication, pdu: bytes) -> bytes:
        """The ADU that carries a response PDU to a request."""
        if self.framing is Framing.RTU:
            return encode_frame(request.unit, pdu)
        return encode_adu(request.transaction, request.unit, pdu)

    def receive(self, data: bytes) -> list[bytes]:
        """Take bytes and answer at once: the ADUs to send back, in order."""
        answers = [self.answer(request) for request in self.take(data)]
        return [each for each in answers if each is not None]
