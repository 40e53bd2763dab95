"""Doors opened: on this machine's own addresses, and for phones on those of the local network."""

from __future__ import annotations

import contextlib
import errno
import socket
import sys
from collections.abc import Sequence
from dataclasses import replace

from ..errors import BenchwrightError
from .settings import USUAL_PORT, Door


class CannotServe(BenchwrightError):
    """A door that cannot be opened: why, and what to do."""


def open_own(port: int) -> list[socket.socket]:
    """Listen on this machine's own addresses, which no other machine reaches.

    Raises
    ------
    CannotServe
    """
    first = _listen("127.0.0.1", port)
    try:
        return [first, _listen("::1", first.getsockname()[1])]
    except (OSError, CannotServe):  # a machine without IPv6, or another program there
        return [first]


def open_lan(hosts: Sequence[str], port: int) -> tuple[list[socket.socket], tuple[Door, ...]]:
    """Listen for phones and tablets.

    Parameters
    ----------
    hosts : sequence of str
        Addresses or names of this machine.
    port : int
        0 for a free one.

    Raises
    ------
    CannotServe
    """
    opened: list[socket.socket] = []
    doors: list[Door] = []
    try:
        for host in hosts:
            for address in _resolve(host):
                if all(one.getsockname()[0] != address for one in opened):
                    opened.append(_listen(address, port))
                    port = opened[0].getsockname()[1]
                for name in (host.lower(), address):
                    if all(door.host != name for door in doors):
                        doors.append(Door("https", name, port, lan=True))
    except BaseException:
        for one in opened:
            one.close()
        raise
    return opened, tuple(replace(door, port=port) for door in doors)


def _resolve(host: str) -> list[str]:
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise CannotServe(
            f"--lan-address {host}: this is neither an address nor a name that this machine knows; expected "
            "this machine's own address in the network, such as 192.168.1.20"
        ) from None
    addresses = list(dict.fromkeys(str(one[4][0]) for one in found))
    if any(address in ("0.0.0.0", "::") for address in addresses):
        raise CannotServe(
            f"--lan-address {host}: that stands for every address; expected one of this machine's own, "
            "so that only the network it belongs to can come"
        )
    return addresses


def _listen(host: str, port: int) -> socket.socket:
    """A socket that listens, bound to one address."""
    v6 = ":" in host
    # With TCP named, the event loop sends each answer at once (TCP_NODELAY): without, its end may wait 40 ms
    # for the browser's word that the beginning has come.
    opened = socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if v6:
            opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if sys.platform == "win32":  # there, reuse would let a second program take the port over
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((host, port))
        opened.listen(128)
    except OverflowError:
        opened.close()
        raise CannotServe(f"port {port}: expected a number from 0 to 65535") from None
    except OSError as problem:
        opened.close()
        raise CannotServe(_why(problem, host, port)) from None
    opened.setblocking(False)
    return opened


def _why(problem: OSError, host: str, port: int) -> str:
    own = host in ("127.0.0.1", "::1")
    option = "--port" if own else "--lan-port"
    if problem.errno == errno.EADDRINUSE:
        return (
            f"port {port} at {host} is in use, most likely by a benchwright serve that runs already: "
            f"go on in its browser window, or end it with Ctrl-C, or choose another port here: "
            f"{option} {port + 2} ({option} 0 takes a free one)"
        )
    if problem.errno == errno.EACCES:
        return (
            f"port {port} may not be used by this account: choose one above 1023, such as "
            f"{option} {USUAL_PORT}"
        )
    if problem.errno == errno.EADDRNOTAVAIL and not own:
        return (
            f"{host} is no address of this machine: give its own one in the network by --lan-address, such "
            "as 192.168.1.20 (the system's network settings show it)"
        )
    return f"{host}, port {port}: {(problem.strerror or str(problem)).lower()}"


def lan_addresses() -> tuple[str, ...]:
    """This machine's address in the local network, found without sending anything.

    Raises
    ------
    CannotServe
        None was found.
    """
    # Connecting a datagram socket sends nothing; the system only picks the address it would send from.
    # The first target is in a block for documentation (RFC 5737), the others in the private ones (RFC 1918).
    for target in ("192.0.2.1", "192.168.255.254", "10.255.255.254", "172.31.255.254"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
            probe.connect((target, 9))
            address = probe.getsockname()[0]
            if not address.startswith(("127.", "0.")):
                return (address,)
    with contextlib.suppress(OSError, UnicodeError):
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET, socket.SOCK_STREAM)
        for one in found:
            address = str(one[4][0])
            if not address.startswith("127."):
                return (address,)
    raise CannotServe(
        "no network was found that phones could come by: join one, or say this machine's address in it by "
        "--lan-address, such as --lan-address 192.168.1.20"
    )
