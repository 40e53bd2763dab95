"""What the terminal says when the bench opens: the address, and for phones a code and the cautions."""

from __future__ import annotations

import io
import ipaddress
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from .settings import Settings

if TYPE_CHECKING:
    from .certificate import Certificate


def greeting(
    settings: Settings, token: str, pairing: Callable[[], str], made: Certificate | None
) -> list[str]:
    """Lines for the terminal."""
    lines = [
        "The bench is open at",
        f"  {settings.doors[0].address}/start?token={token}",
        "It lets one browser on this machine in, once; that browser then knows its way. End with Ctrl-C.",
    ]
    lan = [door for door in settings.doors if door.lan]
    if not lan or made is None:
        return [*lines, "Phones and tablets: benchwright serve --lan"]
    address = f"{lan[0].address}/pair/{pairing()}"
    return [
        *lines, "", "Phones and tablets in the same network: read this code, or type the address.",
        *_code(address), f"  {address}",
        "The code works once, for ten minutes; the page Phones makes more.",
        "",
        "The phone warns, because this machine made its certificate itself"
        + (" (it is new: phones that were paired ask again)." if made.made else "."),
        "Look at the certificate there before you go on; its SHA-256 fingerprint must be",
        *(f"  {line}" for line in _halves(made.fingerprint)),
        "",
        "Caution: who shares your network can try to get in now. Only who has a fresh code does.",
        "On a network of strangers, leave --lan out.",
        *(
            f"Caution: {door.host} is no address of a private network: unless a firewall stands before it, "
            "the whole internet can try."
            for door in lan if _is_public(door.host)
        ),
    ]  # fmt: skip


def _code(text: str) -> list[str]:
    """A QR code for the terminal, two rows in a line; nothing where it could not be shown."""
    import segno

    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    if not sys.stdout.isatty():
        return []
    out = io.StringIO()
    segno.make(text, error="l", micro=False).terminal(out, border=2, compact=True)
    drawn = out.getvalue()
    try:
        drawn.encode(encoding)
    except UnicodeEncodeError:
        return []
    return drawn.splitlines()


def _halves(fingerprint: str) -> list[str]:
    groups = fingerprint.split()
    half = len(groups) // 2
    return [" ".join(groups[:half]), " ".join(groups[half:])]


def _is_public(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_global
    except ValueError:
        return False
