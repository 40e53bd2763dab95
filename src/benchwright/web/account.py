"""Which account of this machine a connection comes from, where the system tells."""

from __future__ import annotations

import os
import socket
import struct
from contextlib import suppress
from pathlib import Path

_UNKNOWN = 65534
"""Stands for an account that has no number here."""


def is_another_account(client: tuple[str, int], server: tuple[str, int]) -> bool:
    """Whether a connection on this machine is known to come from somebody else's account.

    The browser is started with its token in its arguments, which other accounts can read on many systems:
    without this, one of them could be faster. False where the system does not tell.

    Parameters
    ----------
    client, server : (str, int)
        Address and port of both ends.
    """
    if not hasattr(os, "getuid") or os.getuid() == 0:  # root serves whoever may become root
        return False
    account = account_of(client, server)
    return account not in (None, 0, _UNKNOWN, os.getuid())


def account_of(client: tuple[str, int], server: tuple[str, int]) -> int | None:
    """Number of the account that holds the client's end of a connection; None where it cannot be seen."""
    with suppress(OSError, ValueError, IndexError, TypeError):
        table = "tcp6" if ":" in client[0] else "tcp"
        ends = [_end(client), _end(server)]
        for line in Path("/proc/net", table).read_text(encoding="ascii").splitlines()[1:]:
            fields = line.split()
            if fields[1:3] == ends:
                return int(fields[7])
    return None


def _end(end: tuple[str, int]) -> str:
    """Address and port as the kernel's table has them: words in the order of this machine's bytes."""
    family = socket.AF_INET6 if ":" in end[0] else socket.AF_INET
    packed = socket.inet_pton(family, end[0])
    words = struct.unpack(f"={len(packed) // 4}I", packed)
    return "".join(f"{word:08X}" for word in words) + f":{end[1]:04X}"
