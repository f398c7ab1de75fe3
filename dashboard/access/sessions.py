"""Sessions: a random token in the browser's cookie, its hash and its times here.

What ends a session ends it here, so that a token kept from before is refused: signing out, time
without a sign of its owner, the longest time, a new password, a person stopped.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from pathlib import Path
from typing import NamedTuple

from dashboard.access.book import book_path, window
from dashboard.access.people import folded

#: Without a sign of its owner a session ends after this. [s]
IDLE_S = 4 * 3600
#: However busy, it ends after this: a long shift. [s]
LONGEST_S = 14 * 3600
#: A sign of its owner is written down at most this often. [s]
_NOTED_EVERY_S = 60
#: Bytes of a token: 256 bits, from the system's source of randomness.
_TOKEN_BYTES = 32


class Session(NamedTuple):
    """A session that holds.

    Parameters
    ----------
    name, role : str
        Whose it is, with the role as it is now.
    begun_us : int
        When signed in. [us since 1970, UTC]
    """

    name: str
    role: str
    begun_us: int


def begin(data: Path, name: str, address: str) -> str:
    """Begin a session for somebody who proved who they are; the token for their browser."""
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    now = _now_us()
    with window(data, write=True) as con:
        con.execute(
            "DELETE FROM session WHERE seen_us < ? OR begun_us < ?",
            [now - IDLE_S * 1_000_000, now - LONGEST_S * 1_000_000],
        )
        con.execute(
            "INSERT INTO session VALUES (?, ?, ?, ?, ?)",
            [token_hash(token), folded(name), now, now, address],
        )
    return token


def find(data: Path, token: str) -> Session | None:
    """The session of a token; ``None``: forged, ended, or over."""
    if not token or not book_path(data).exists():
        return None
    now = _now_us()
    with window(data) as con:
        row = con.execute(
            "SELECT name, role, begun_us FROM session JOIN person USING (key) "
            "WHERE token_hash = ? AND NOT disabled AND seen_us > ? AND begun_us > ?",
            [token_hash(token), now - IDLE_S * 1_000_000, now - LONGEST_S * 1_000_000],
        ).fetchone()
    return Session(*row) if row else None


def seen(data: Path, token: str) -> None:
    """Note that whoever holds a token did something; a session that is over stays over."""
    now = _now_us()
    with window(data) as con:
        row = con.execute(
            "SELECT seen_us FROM session WHERE token_hash = ?", [token_hash(token)]
        ).fetchone()
    if row and now - IDLE_S * 1_000_000 < row[0] < now - _NOTED_EVERY_S * 1_000_000:
        with window(data, write=True) as con:
            con.execute(
                "UPDATE session SET seen_us = ? WHERE token_hash = ?", [now, token_hash(token)]
            )


def end(data: Path, token: str) -> None:
    """End a session."""
    with window(data, write=True) as con:
        con.execute("DELETE FROM session WHERE token_hash = ?", [token_hash(token)])


def end_all(data: Path, name: str) -> int:
    """End every session of somebody; how many there were."""
    with window(data, write=True) as con:
        return con.execute("DELETE FROM session WHERE key = ?", [folded(name)]).rowcount


def token_hash(token: str) -> bytes:
    """What is kept of a token. It is random, so that a quick hash is as good as a slow one."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()


def _now_us() -> int:
    return time.time_ns() // 1000
