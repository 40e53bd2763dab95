"""Tokens that work once, sessions that end, and what is kept of them."""

from __future__ import annotations

import json
import stat
import sys
from pathlib import Path

import pytest

from benchwright.web.sessions import (
    BENCH_LIFE,
    PAIRING_LIFE,
    PHONE_LIFE,
    WRONG_FROM_ALL,
    WRONG_FROM_ONE,
    WRONG_SPAN,
    Refused,
    Sessions,
    device_of,
)

HERE, PHONE = "127.0.0.1", "192.168.1.77"


class Clock:
    now = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def sessions(tmp_path: Path, clock: Clock) -> Sessions:
    return Sessions(tmp_path, 8137, clock)


def let_in(sessions: Sessions, *, lan: bool = False) -> str:
    """Let somebody in; the secret."""
    if lan:
        return sessions.spend("pair", sessions.pairing_token(), PHONE, "a phone", True)[1]
    return sessions.spend("start", sessions.start_token(), HERE, "a computer", False)[1]


def test_a_token_works_once(sessions: Sessions) -> None:
    """A second spending is refused, and so is a token for another use."""
    token = sessions.start_token()
    with pytest.raises(Refused):
        sessions.spend("pair", token, PHONE, "a phone", True)
    sessions.spend("start", token, HERE, "a computer", False)
    with pytest.raises(Refused):
        sessions.spend("start", token, HERE, "a computer", False)


def test_asking_whether_a_pairing_code_is_good_does_not_spend_it(sessions: Sessions) -> None:
    """Whatever looks at links ahead of the person only asks."""
    token = sessions.pairing_token()
    assert sessions.good("pair", token, PHONE)
    assert sessions.good("pair", token, PHONE)
    sessions.spend("pair", token, PHONE, "a phone", True)
    assert not sessions.good("pair", token, PHONE)


def test_a_pairing_code_is_good_for_ten_minutes(sessions: Sessions, clock: Clock) -> None:
    """To the second."""
    token = sessions.pairing_token()
    clock.now += PAIRING_LIFE - 1
    assert sessions.good("pair", token, PHONE)
    clock.now += 1
    with pytest.raises(Refused) as refused:
        sessions.spend("pair", token, PHONE, "a phone", True)
    assert refused.value.wait == 0
    assert PAIRING_LIFE == 600


@pytest.mark.parametrize(("lan", "life"), [(False, BENCH_LIFE), (True, PHONE_LIFE)])
def test_a_session_ends(sessions: Sessions, clock: Clock, lan: bool, life: float) -> None:
    """A phone's after twelve hours, the bench's own after thirty days, in use or not."""
    secret = let_in(sessions, lan=lan)
    clock.now += life - 1
    found = sessions.find(secret, lan, HERE)
    assert found is not None
    assert sessions.is_in(found.key)
    clock.now += 1
    assert sessions.find(secret, lan, HERE) is None
    assert not sessions.is_in(found.key)
    assert sessions.connected() == []
    assert (BENCH_LIFE, PHONE_LIFE) == (30 * 24 * 3600, 12 * 3600)


def test_a_session_is_good_for_its_own_kind_of_door(sessions: Sessions) -> None:
    """What was overheard in the network opens nothing on the machine itself, and the other way round."""
    bench, phone = let_in(sessions), let_in(sessions, lan=True)
    assert sessions.find(bench, False, HERE) is not None
    assert sessions.find(bench, True, PHONE) is None
    assert sessions.find(phone, True, PHONE) is not None
    assert sessions.find(phone, False, HERE) is None
    assert sessions.find("wrong", False, HERE) is None
    assert sessions.find("", False, HERE) is None


def test_sessions_outlive_a_restart_and_a_revoked_one_does_not(
    sessions: Sessions, clock: Clock, tmp_path: Path
) -> None:
    """And another port has its own."""
    kept, gone = let_in(sessions), let_in(sessions, lan=True)
    key = next(one.key for one in sessions.connected() if one.lan)
    assert sessions.revoke(key)
    assert not sessions.revoke(key)
    assert sessions.find(gone, True, PHONE) is None
    again = Sessions(tmp_path, 8137, clock)
    assert again.find(kept, False, HERE) is not None
    assert again.find(gone, True, PHONE) is None
    assert Sessions(tmp_path, 8140, clock).find(kept, False, HERE) is None


def test_the_file_holds_no_secret_and_only_its_owner_reads_it(sessions: Sessions) -> None:
    """Digests only; tokens that work once are not in it at all."""
    token = sessions.pairing_token()
    secrets = [let_in(sessions), let_in(sessions, lan=True)]
    text = sessions.file.read_text(encoding="utf-8")
    assert len(json.loads(text)) == 2
    assert all(secret not in text for secret in (*secrets, token))
    if sys.platform != "win32":
        assert stat.S_IMODE(sessions.file.stat().st_mode) == 0o600
    assert [path.name for path in sessions.file.parent.iterdir()] == ["sessions-8137.json"]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"sessions": 3}', '[{"key": 1}]', "[[[[", '["\\ud800"]', "\0\0"],
)
def test_a_damaged_file_lets_nobody_in(tmp_path: Path, text: str) -> None:
    """And stops nothing: the printed address works as ever."""
    (tmp_path / "sessions-8137.json").write_text(text, encoding="utf-8")
    sessions = Sessions(tmp_path, 8137)
    assert sessions.connected() == []
    assert sessions.find(let_in(sessions), False, HERE) is not None


def test_a_session_cannot_be_made_to_last_longer_in_the_file(
    sessions: Sessions, clock: Clock, tmp_path: Path
) -> None:
    """One with an end beyond any that is given is not believed."""
    secret = let_in(sessions)
    kept = json.loads(sessions.file.read_bytes())
    kept[0]["ends"] = clock.now + 10 * BENCH_LIFE
    sessions.file.write_text(json.dumps(kept), encoding="utf-8")
    assert Sessions(tmp_path, 8137, clock).find(secret, False, HERE) is None


def test_a_folder_that_cannot_be_written_is_told_and_lets_in_all_the_same(tmp_path: Path) -> None:
    """Sessions then last as long as the program."""
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    sessions = Sessions(tmp_path / "file" / "folder")
    assert sessions.find(let_in(sessions), False, HERE) is not None
    assert "file" in sessions.trouble


def test_wrong_tokens_from_one_address_are_slowed_down(sessions: Sessions, clock: Clock) -> None:
    """After a few, not even a right one is looked at, until the first of them is five minutes old."""
    good = sessions.pairing_token()
    for n in range(WRONG_FROM_ONE):
        assert not sessions.good("pair", f"wrong {n}", PHONE)
        clock.now += 1
    with pytest.raises(Refused) as refused:
        sessions.spend("pair", good, PHONE, "a phone", True)
    assert refused.value.wait == WRONG_SPAN - WRONG_FROM_ONE
    assert sessions.good("pair", good, "192.168.1.78")
    clock.now += refused.value.wait
    sessions.spend("pair", good, PHONE, "a phone", True)


def test_wrong_tokens_from_everywhere_are_slowed_down_but_not_at_the_bench(
    sessions: Sessions, clock: Clock
) -> None:
    """Many addresses with a few tries each; the person at the bench is not locked out by them."""
    pairing, start = sessions.pairing_token(), sessions.start_token()
    for n in range(WRONG_FROM_ALL):
        assert not sessions.good("pair", "wrong", f"192.168.2.{n}")
    with pytest.raises(Refused) as refused:
        sessions.good("pair", pairing, PHONE)
    assert refused.value.wait == WRONG_SPAN
    sessions.spend("start", start, HERE, "a computer", False)
    clock.now += WRONG_SPAN
    assert sessions.good("pair", pairing, PHONE)


def test_who_is_connected_is_told_with_the_last_sight(sessions: Sessions, clock: Clock) -> None:
    """The last seen first, at the address it was last seen at."""
    bench = let_in(sessions)
    clock.now += 60
    let_in(sessions, lan=True)
    assert [one.device for one in sessions.connected()] == ["a phone", "a computer"]
    clock.now += 60
    sessions.find(bench, False, "127.0.0.2")
    first = sessions.connected()[0]
    assert (first.device, first.address, first.seen) == ("a computer", "127.0.0.2", clock.now)


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101", "a computer"),
        ("Mozilla/5.0 (Linux; U; Mobile; rv:140.0) Gecko/140.0", "a phone"),
        ("Mozilla/5.0 (Linux; Tablet; rv:140.0) Gecko/140.0", "a tablet"),
        ("python", "a program"),
        ("", "a program"),
    ],
)
def test_a_browser_is_named_in_plain_words(agent: str, words: str) -> None:
    """By the words for kinds of devices in its own description."""
    assert device_of(agent) == words
