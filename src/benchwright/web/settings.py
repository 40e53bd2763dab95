"""What the web app is told when it starts: which bench, which doors, which folders."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import platformdirs

USUAL_PORT = 8137
"""Fixed, so that a page left open finds the app again after a restart."""
LAN_PORT = 8138
"""Of the door for phones and tablets."""
_USUAL_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True)
class Door:
    """One address that the app answers at.

    Attributes
    ----------
    scheme : str
        ``http`` or ``https``.
    host : str
        A name or an address; an IPv6 address without brackets.
    port : int
    lan : bool
        Whether other machines can reach it.
    """

    scheme: str
    host: str
    port: int
    lan: bool = False

    @property
    def authority(self) -> str:
        """Host and port as a browser sends them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == _USUAL_PORTS.get(self.scheme) else f"{host}:{self.port}"

    @property
    def address(self) -> str:
        """Its web address, which is its origin as well."""
        return f"{self.scheme}://{self.authority}"


def own_doors(port: int) -> tuple[Door, ...]:
    """Doors that only this machine reaches."""
    return tuple(Door("http", host, port) for host in ("127.0.0.1", "localhost", "::1"))


def lan_doors(hosts: tuple[str, ...], port: int) -> tuple[Door, ...]:
    """Doors for phones and tablets."""
    return tuple(Door("https", host, port, lan=True) for host in hosts)


def state_folder() -> Path:
    """Where sessions, the certificate and the demo bench are kept."""
    return Path(platformdirs.user_state_dir("benchwright", appauthor=False))


def cache_folder() -> Path:
    """Where pictures and other things are kept that can be made again."""
    return Path(platformdirs.user_cache_dir("benchwright", appauthor=False))


@dataclass(frozen=True)
class Settings:
    """What the app is told when it starts.

    Attributes
    ----------
    bench : str or None
        Folder or database address of the bench; None for the usual one.
    doors : tuple of Door
        Every address that it answers at, and no other.
    state_folder, cache_folder : Path
    fingerprint : str
        Of the certificate at the door for phones, in groups of digits.
    """

    bench: str | None
    doors: tuple[Door, ...]
    state_folder: Path
    cache_folder: Path
    fingerprint: str = ""

    @classmethod
    def of(
        cls, bench: str | None, doors: tuple[Door, ...], state: Path | None = None, cache: Path | None = None
    ) -> Settings:
        """Settings with the platform's folders, unless others are given."""
        return cls(bench, doors, state or state_folder(), cache or cache_folder())

    @property
    def lan(self) -> bool:
        """Whether phones and tablets can reach it."""
        return any(door.lan for door in self.doors)

    @cached_property
    def port(self) -> int:
        """The port on this machine, which the cookie's name carries: cookies do not know ports."""
        return next((door.port for door in self.doors if not door.lan), 0)

    def door(self, scheme: str, authority: str) -> Door | None:
        """The door that a request came through, by what it says in ``Host``."""
        authority = authority.lower()
        return next(
            (door for door in self.doors if door.scheme == scheme and door.authority == authority), None
        )
