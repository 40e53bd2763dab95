"""Who may come in: tokens that work once, the sessions that they open, and who is connected."""

from __future__ import annotations

import hashlib
import math
import secrets
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from .private_file import write_private

BENCH_LIFE = 30 * 86400
"""Seconds that a browser on the bench's own machine stays let in."""
PHONE_LIFE = 12 * 3600
"""Seconds that a phone or tablet stays let in: a day at the bench."""
PAIRING_LIFE = 600
"""Seconds in which a pairing code must be used."""
MOST_SESSIONS = 100
MOST_TOKENS = 50
SEEN_EVERY = 600
"""Seconds between two notes in the file of when somebody was last seen."""

WRONG_FROM_ONE, WRONG_FROM_ALL = 5, 30
"""Wrong tokens taken from one address, and from all others than this machine, in `WRONG_SPAN`."""
WRONG_SPAN = 300


@dataclass(frozen=True)
class Session:
    """Somebody who was let in.

    Attributes
    ----------
    key : str
        Names it on the page; no secret.
    token : str
        SHA-256 of its secret.
    lan : bool
        Whether it came through a door for phones; it is good for such doors only.
    device : str
        What it is, in plain words.
    address : str
        Where it was last seen.
    made, seen, ends : float
        Seconds since 1970.
    """

    key: str
    token: str
    lan: bool
    device: str
    address: str
    made: float
    seen: float
    ends: float

    @property
    def last_seen(self) -> datetime:
        return datetime.fromtimestamp(self.seen, UTC)

    @property
    def until(self) -> datetime:
        return datetime.fromtimestamp(self.ends, UTC)


class Refused(Exception):
    """A token that does not open the door.

    Parameters
    ----------
    wait : int
        Seconds until the next try is looked at; 0 if it was looked at, and was wrong, spent or too old.
    """

    def __init__(self, wait: int = 0) -> None:
        self.wait = wait
        super().__init__(f"wait {wait} s" if wait else "not good (any more)")


class Sessions:
    """All sessions of one app; they outlive it in a file, as digests.

    Parameters
    ----------
    folder : Path
        Where the file is kept.
    port : int
        Of the app: two apps on one machine have a file each.
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, folder: Path, port: int = 0, clock: Callable[[], float] = time.time) -> None:
        self.file = Path(folder) / f"sessions-{port}.json"
        self._clock = clock
        self._lock = threading.RLock()
        self._once: dict[str, tuple[str, float]] = {}
        self._wrong: dict[str, deque[float]] = defaultdict(deque)
        self._sessions: dict[str, Session] = {}
        self._written = 0.0
        self.trouble = ""
        for session in self._read():
            self._sessions[session.key] = session

    # -- tokens that work once ----------------------------------------------------------------------------

    def start_token(self) -> str:
        """A token that lets one browser on this machine in. It is good while the app runs."""
        return self._token("start", math.inf)

    def pairing_token(self) -> str:
        """A token that lets one phone or tablet in, within ten minutes."""
        return self._token("pair", self._clock() + PAIRING_LIFE)

    def _token(self, use: str, ends: float) -> str:
        token = secrets.token_urlsafe(16)  # 128 bits; short, so that the code is coarse and easy to read
        with self._lock:
            self._forget_old()
            while len(self._once) >= MOST_TOKENS:
                del self._once[next(iter(self._once))]
            self._once[digest(token)] = (use, ends)
        return token

    def good(self, use: str, token: str, address: str) -> bool:
        """Whether a token would be taken; it stays unspent.

        Raises
        ------
        Refused
            Too many wrong ones came before.
        """
        with self._lock:
            return self._find(use, token, address) is not None

    def spend(self, use: str, token: str, address: str, device: str, lan: bool) -> tuple[Session, str]:
        """Trade a token for a session.

        Returns
        -------
        session : Session
        secret : str
            For the cookie; only its digest is kept here.

        Raises
        ------
        Refused
        """
        with self._lock:
            found = self._find(use, token, address)
            if found is None:
                raise Refused
            del self._once[found]
            now = self._clock()
            secret = secrets.token_urlsafe(32)
            life = PHONE_LIFE if lan else BENCH_LIFE
            session = Session(
                secrets.token_hex(8), digest(secret), lan, device, address, now, now, now + life
            )
            self._sessions[session.key] = session
            for old in sorted(self._sessions.values(), key=lambda one: one.seen)[:-MOST_SESSIONS]:
                del self._sessions[old.key]
            self._write()
            return session, secret

    def _find(self, use: str, token: str, address: str) -> str | None:
        """The digest under which a good token is kept; a wrong one is counted."""
        wait = self._wait(address)
        if wait:
            raise Refused(wait)
        self._forget_old()
        given = digest(token)
        found = None
        for kept, (its_use, _) in self._once.items():
            if secrets.compare_digest(kept, given) and its_use == use:
                found = kept
        if found is None:
            self._wrong[address].append(self._clock())
        return found

    def _wait(self, address: str) -> int:
        """Seconds until a try from an address is looked at."""
        now = self._clock()
        for place in list(self._wrong):
            times = self._wrong[place]
            while times and times[0] <= now - WRONG_SPAN:
                times.popleft()
            if not times:
                del self._wrong[place]
        own = list(self._wrong.get(address, ()))
        wait = own[-WRONG_FROM_ONE] + WRONG_SPAN - now if len(own) >= WRONG_FROM_ONE else 0.0
        if not is_here(address):  # strangers cannot lock out the person at the bench
            others = sorted(t for place, times in self._wrong.items() if not is_here(place) for t in times)
            if len(others) >= WRONG_FROM_ALL:
                wait = max(wait, others[-WRONG_FROM_ALL] + WRONG_SPAN - now)
        return math.ceil(max(0.0, wait))

    def _forget_old(self) -> None:
        now = self._clock()
        for kept in [kept for kept, (_, ends) in self._once.items() if ends <= now]:
            del self._once[kept]

    # -- sessions -----------------------------------------------------------------------------------------

    def find(self, secret: str, lan: bool, address: str) -> Session | None:
        """The session that a secret opens, through this kind of door; it is noted that it was seen."""
        given, now = digest(secret), self._clock()
        with self._lock:
            found = None
            for session in self._sessions.values():
                if secrets.compare_digest(session.token, given):
                    found = session
            if found is None or found.lan != lan or found.ends <= now:
                return None
            found = replace(found, seen=now, address=address)
            self._sessions[found.key] = found
            if now - self._written > SEEN_EVERY:
                self._write()
            return found

    def connected(self) -> list[Session]:
        """Everybody who is let in, the last seen first."""
        now = self._clock()
        with self._lock:
            return sorted(
                (session for session in self._sessions.values() if session.ends > now),
                key=lambda session: -session.seen,
            )

    def is_in(self, key: str) -> bool:
        """Whether a session is still let in."""
        with self._lock:
            session = self._sessions.get(key)
            return session is not None and session.ends > self._clock()

    def revoke(self, key: str) -> bool:
        """Let a session in no more; False if there is none of that key."""
        with self._lock:
            gone = self._sessions.pop(key, None) is not None
            if gone:
                self._write()
            return gone

    # -- the file -----------------------------------------------------------------------------------------

    def _read(self) -> list[Session]:
        """What the file has; a file that cannot be read lets nobody in."""
        now = self._clock()
        with suppress(OSError, msgspec.MsgspecError):
            kept = msgspec.json.decode(self.file.read_bytes(), type=list[Session])
            return [session for session in kept if now < session.ends <= now + BENCH_LIFE]
        return []

    def _write(self) -> None:
        self._written = self._clock()
        live = [session for session in self._sessions.values() if session.ends > self._written]
        try:
            write_private(self.file, msgspec.json.encode(live))
            for other in self.file.parent.glob("sessions-*.json"):  # of ports that were used once
                if other != self.file and other.stat().st_mtime < self._written - BENCH_LIFE:
                    other.unlink()
            self.trouble = ""
        except OSError as problem:  # all works until the app ends; the page of phones says so
            self.trouble = f"{self.file.parent}: {(problem.strerror or str(problem)).lower()}"


def digest(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def is_here(address: str) -> bool:
    """Whether an address is this machine's own."""
    return address == "::1" or address.startswith("127.")


def device_of(agent: str) -> str:
    """What a browser runs on, in plain words, from its ``User-Agent``."""
    if "Mozilla/" not in agent:
        return "a program"
    if "Tablet" in agent:
        return "a tablet"
    return "a phone" if "Mobi" in agent else "a computer"
