"""Wrong tries: counted by name and by address, and what locks the one and the other.

A try is counted before the password is looked at and taken back where it was right, so that a
hundred at once are a hundred. Names that nobody has are counted as well: a lock tells nothing.
"""

from __future__ import annotations

import hashlib
import ipaddress
import sqlite3
import time
from pathlib import Path
from typing import NamedTuple

from dashboard.access.book import window
from dashboard.access.people import folded

#: So many wrong tries lock a name, and an address: a yard may share one address.
WRONG_BY_NAME, WRONG_BY_ADDRESS = 5, 20
#: The first lock, doubled with each wrong try after it up to the longest. [s]
FIRST_LOCK_S, LONGEST_LOCK_S = 30, 3600
#: Wrong tries are forgotten so long after the last. [s]
_FORGOTTEN_AFTER_S = 24 * 3600


class Try(NamedTuple):
    """Whether somebody may try now.

    Parameters
    ----------
    wait_s : int
        How long until they may; 0: now, and the try is counted as wrong until taken back. [s]
    locks : bool
        Whether this one locks the name or the address, unless it is right.
    """

    wait_s: int
    locks: bool


def count(data: Path, name: str, address: str) -> Try:
    """Count a try, unless the name or the address is locked."""
    now = time.time_ns() // 1000
    with window(data, write=True) as con:
        con.execute(
            "DELETE FROM wrong_try WHERE last_us < ? AND locked_until_us < ?",
            [now - _FORGOTTEN_AFTER_S * 1_000_000, now],
        )
        limits = ((_by_name(name), WRONG_BY_NAME), (_by_address(address), WRONG_BY_ADDRESS))
        wait_us = max(_locked_until_us(con, what) - now for what, _ in limits)
        if wait_us > 0:
            return Try(-(-wait_us // 1_000_000), False)
        locks = False
        for what, most in limits:
            ((wrong,),) = con.execute(
                "INSERT INTO wrong_try VALUES (?, 1, ?, 0) ON CONFLICT (what) "
                "DO UPDATE SET wrong = wrong + 1, last_us = excluded.last_us RETURNING wrong",
                [what, now],
            ).fetchall()
            if wrong >= most:
                locks = True
                lock_s = min(FIRST_LOCK_S * 2 ** min(wrong - most, 20), LONGEST_LOCK_S)
                con.execute(
                    "UPDATE wrong_try SET locked_until_us = ? WHERE what = ?",
                    [now + lock_s * 1_000_000, what],
                )
    return Try(0, locks)


def take_back(data: Path, name: str, address: str) -> None:
    """The try that was counted last was right: the name is as before the first wrong one."""
    with window(data, write=True) as con:
        con.execute("DELETE FROM wrong_try WHERE what = ?", [_by_name(name)])
        # The address keeps its others: one's own right password must not open the way to guess.
        con.execute(
            "UPDATE wrong_try SET wrong = wrong - 1, "
            "locked_until_us = CASE WHEN wrong <= ? THEN 0 ELSE locked_until_us END "
            "WHERE what = ?",
            [WRONG_BY_ADDRESS, _by_address(address)],
        )


def unlock(data: Path, name: str) -> None:
    """Forget the wrong tries of a name."""
    with window(data, write=True) as con:
        con.execute("DELETE FROM wrong_try WHERE what = ?", [_by_name(name)])


def _locked_until_us(con: sqlite3.Connection, what: str) -> int:
    found = con.execute("SELECT locked_until_us FROM wrong_try WHERE what = ?", [what]).fetchone()
    return int(found[0]) if found else 0


def _by_name(name: str) -> str:
    # What was typed as a name may have been a password: it is not kept as typed.
    return "name " + hashlib.sha256(folded(name).encode("utf-8", "replace")).hexdigest()


def _by_address(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return "address " + hashlib.sha256(address.encode()).hexdigest()
    if isinstance(parsed, ipaddress.IPv6Address):
        # One household has a whole /64 to try from.
        return f"address {ipaddress.ip_network((parsed, 64), strict=False)}"
    return f"address {parsed}"
