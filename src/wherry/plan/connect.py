"""Where a controller is: ``tcp://host[:port]``, or ``rtu+tcp://host:port`` for serial framing through a TCP port."""

from __future__ import annotations

import ipaddress
import re
from typing import Final

from wherry.limits import TCP_PORT_DEFAULT
from wherry.plan.model import Framing
from wherry.plan.wording import TextError, nearest, printable

SCHEMES: Final = {"tcp": Framing.MBAP, "rtu+tcp": Framing.RTU}
EXPECTED: Final = "`tcp://host`, `tcp://host:port` or `rtu+tcp://host:port`"
_HOST_PATTERN = r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)"
PATTERN: Final = rf"^(tcp://{_HOST_PATTERN}(:[0-9]{{1,5}})?|rtu\+tcp://{_HOST_PATTERN}:[0-9]{{1,5}})$"
"""For the published schema."""

PORT_MAX: Final = 65535
HOST_CHARACTERS_MAX: Final = 253  # RFC 1035 2.3.4: 255 octets on the wire leave 253 characters of text

_CONNECT = re.compile(r"([a-z0-9+.-]*)://(\[[^\]\s]*\]|[^:/\s\[\]@]*)(?::([^/\s]*))?(.*)", re.IGNORECASE | re.DOTALL)
_LABEL = re.compile(
    r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?"
)  # RFC 1123 2.1; the underscore is common practice


def parse_connect(text: str) -> tuple[Framing, str, int]:
    """Framing, host and port. Raises TextError (a PlanError) if the address cannot be used."""
    match = _CONNECT.fullmatch(text)
    if match is None:
        raise _without_scheme(text)
    scheme, host, port_text, rest = match.groups()
    if scheme not in SCHEMES:
        near = nearest(scheme, SCHEMES) or "tcp"
        raise _fault(
            f"there is no kind of connection `{printable(scheme)}`",
            f"write `{near}://{printable(host)}{f':{printable(port_text)}' if port_text else ''}`",
            text,
            match.span(1),
        )
    if rest.startswith("@"):
        raise _fault("a name or password has no place here", "write `tcp://host:port` only", text, match.span(4))
    if rest:
        raise _fault("nothing may follow the host and port", f"take `{printable(rest)}` away", text, match.span(4))
    _check_host(host, text, match.span(2))
    if port_text is None:
        if scheme == "rtu+tcp":
            raise _fault(
                "the port is missing: there is no usual one for serial framing on TCP",
                f"write `{text}:` and the port of the device",
                text,
                None,
            )
        return SCHEMES[scheme], host.strip("[]"), TCP_PORT_DEFAULT
    if not port_text:
        fix = f"write a number from 1 to {PORT_MAX}, or take the colon away"
        raise _fault("the port is missing after the colon", fix, text, match.span(3))
    if not re.fullmatch(r"[0-9]{1,5}", port_text) or not 1 <= int(port_text) <= PORT_MAX:
        raise _fault(
            f"`{printable(port_text)}` is no port number", f"write a number from 1 to {PORT_MAX}", text, match.span(3)
        )
    return SCHEMES[scheme], host.strip("[]"), int(port_text)


def _check_host(host: str, text: str, offset: tuple[int, int]) -> None:
    """The host is an IPv4 address, an IPv6 address in brackets, or a name."""
    if not host:
        raise _fault("the host is missing", "write the address or name of the controller after `://`", text, None)
    if host.startswith("["):
        try:
            ipaddress.IPv6Address(host.strip("[]"))
        except ValueError:
            raise _fault(
                f"`{printable(host)}` is no IPv6 address", "write it like `[fd00::11]`", text, offset
            ) from None
        return
    if re.fullmatch(r"[0-9.]+", host):
        try:
            ipaddress.IPv4Address(host)
        except ValueError:
            raise _fault(f"`{host}` is no IPv4 address", "write four numbers from 0 to 255, without leading zeros",
                         text, offset) from None  # fmt: skip
        return
    labels = host.removesuffix(".").split(".")
    if len(host) > HOST_CHARACTERS_MAX or not all(_LABEL.fullmatch(each) for each in labels):
        raise _fault(
            f"`{printable(host)[:60]}` is no host name", "write letters, digits, hyphens and dots only", text, offset
        )


def _without_scheme(text: str) -> TextError:
    seen = printable(text.strip())
    if re.fullmatch(r"\[?[A-Za-z0-9._:-]+\]?(:[0-9]+)?", seen):
        return _fault("the kind of connection is missing", f"write `tcp://{seen}`", text, None)
    if not seen:
        return _fault("the address is empty", "write it like `tcp://10.20.0.11`", text, None)
    if "@" in seen:
        return _fault("a name or password has no place here", "write `tcp://host:port` only", text, None)
    return _fault(f"`{seen[:60]}` is no address", "write it like `tcp://10.20.0.11`", text, None)


def _fault(message: str, fix: str, text: str, offset: tuple[int, int] | None) -> TextError:
    return TextError("bad-connect", message, expected=EXPECTED, found=printable(text)[:80], fix=fix, offset=offset)
