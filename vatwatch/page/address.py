"""How a phone reaches the page: its address on the local network, and that address as a QR code for a terminal."""

from __future__ import annotations

import io
import ipaddress
import socket
from urllib.parse import urlsplit

_ANY = ("0.0.0.0", "::")  # noqa: S104 - recognised here, bound in server.py
_ELSEWHERE = ("192.0.2.1", 9)
"""An address that belongs to nobody (RFC 5737); asking the way to it sends nothing."""


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach a page at `host`. A name other than localhost is taken for the network's."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def own_address() -> str:
    """This computer's address on the local network; loopback while it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(_ELSEWHERE)
            return str(way.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def page_url(host: str, port: int) -> str:
    """The page's own address, as a phone can type it."""
    shown = own_address() if host in _ANY else host
    return f"http://[{shown}]:{port}" if ":" in shown else f"http://{shown}:{port}"


def origin_of(address: str) -> str:
    """Scheme, host and port of a link. Raises ValueError for something that is no web address."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.netloc:
        raise ValueError(f"given {address!r}, expected a web address such as http://shed.lan:8417")
    return f"{parts.scheme}://{parts.netloc}"


def qr_text(url: str) -> str:
    """The address as a QR code (ISO/IEC 18004) of half-height blocks, dark on light whatever the terminal's colours."""
    import segno

    out = io.StringIO()
    segno.make_qr(url).terminal(out, border=2, compact=True)
    return out.getvalue()
