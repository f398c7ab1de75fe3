"""The people who may sign in: their names, roles, and how they prove who they are."""

from __future__ import annotations

import os
import sqlite3
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from dashboard.access import audit, passwords
from dashboard.access.book import book_path, folder, window
from dashboard.access.roles import ROLE_WORDS
from ingest.errors import AccessError

#: Set by whoever serves beyond this computer: sign-in is asked even if the access book goes.
ALWAYS_VARIABLE = "GRITBOOK_SIGN_IN"
#: Longest name; what records take as well. [characters]
LONGEST_NAME = 80


class Account(NamedTuple):
    """Somebody who may sign in.

    Parameters
    ----------
    name, role : str
        As added; the role is a key of ``ROLE_WORDS``.
    email : str
        By which a sign-in elsewhere is known; empty: none.
    has_password, disabled : bool
        Whether a password of ours was set, and whether signing in is stopped.
    added_us : int
        When added. [us since 1970, UTC]
    """

    name: str
    role: str
    email: str
    has_password: bool
    disabled: bool
    added_us: int


def folded(name: str) -> str:
    """What two spellings of one name have in common."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def openid_path(data: Path) -> Path:
    """Where the settings of signing in elsewhere lie."""
    return folder(data) / "openid.toml"


def are_set_up(data: Path) -> bool:
    """Whether signing in was ever set up here: then it is asked of everybody.

    Raises
    ------
    AccessError
        The access book cannot be used: nobody comes in then, rather than everybody.
    """
    if openid_path(data).exists():
        return True
    if not book_path(data).exists():
        return False
    with window(data) as con:
        return con.execute("SELECT count(*) FROM person").fetchone() != (0,)


def must_sign_in(data: Path) -> bool:
    """Whether whoever comes to the pages has to sign in.

    Raises
    ------
    AccessError
        The access book cannot be used.
    """
    return os.environ.get(ALWAYS_VARIABLE) == "always" or are_set_up(data)


def everybody(data: Path) -> list[Account]:
    """Everybody who was added, by name."""
    if not book_path(data).exists():
        return []
    with window(data) as con:
        return [
            Account(name, role, email or "", bool(has), bool(disabled), added_us)
            for name, role, email, has, disabled, added_us in con.execute(
                "SELECT name, role, email, password_hash IS NOT NULL, disabled, added_us "
                "FROM person ORDER BY key"
            )
        ]


def add(
    data: Path, name: str, role: str, password: str | None, email: str = "", by: str = ""
) -> None:
    """Add somebody.

    Parameters
    ----------
    data : Path
        Data folder.
    name, role : str
        What stands as who entered something, and a key of ``ROLE_WORDS``.
    password : str or None
        The first password; ``None`` for who signs in elsewhere.
    email : str
        By which a sign-in elsewhere is known.
    by : str
        Who adds; empty: somebody at the command line.

    Raises
    ------
    AccessError
        The name or e-mail is taken, the role is none, the password cannot be, or there is neither
        password nor e-mail.
    """
    shown = _checked_name(name)
    _refuse_unknown_role(role)
    if password is None and not email:
        raise AccessError(f"{shown} would have no way to sign in.", "Give a password, or --email.")
    _refuse_no_email(email)
    password_hash = passwords.hashed(password, shown) if password is not None else None
    with window(data, write=True, make=True) as con:
        try:
            con.execute(
                "INSERT INTO person VALUES (?, ?, ?, ?, NULL, ?, 0, ?)",
                [folded(shown), shown, role, folded(email) or None, password_hash, _now_us()],
            )
        except sqlite3.IntegrityError as error:
            raise AccessError(
                f"Somebody called {shown}, or with that e-mail, is there already.",
                "See them with `gritbook people list`; take another name.",
            ) from error
    audit.note(data, "added", shown, role=role, **_by(by))


def set_role(data: Path, name: str, role: str, by: str = "") -> None:
    """Give somebody another role; it counts at once, also where they are signed in.

    Raises
    ------
    AccessError
        There is nobody of that name, the role is none, or no owner would be left.
    """
    _refuse_unknown_role(role)
    with window(data, write=True) as con:
        shown = _found(con, name)
        with _keeping_an_owner(con):
            con.execute("UPDATE person SET role = ? WHERE key = ?", [role, folded(name)])
    audit.note(data, "role changed", shown, role=role, **_by(by))


def set_email(data: Path, name: str, email: str, by: str = "") -> None:
    """Give somebody another e-mail address, or with an empty one none; their sessions end.

    Raises
    ------
    AccessError
        There is nobody of that name, the address is none or taken, or no way to sign in is left.
    """
    _refuse_no_email(email)
    with window(data, write=True) as con:
        shown = _found(con, name)
        try:
            # Not `RETURNING password_hash IS NOT NULL`: SQLite 3.40 says 1 to that in any case.
            ((password_hash,),) = con.execute(
                "UPDATE person SET email = ?, subject = NULL WHERE key = ? RETURNING password_hash",
                [folded(email) or None, folded(name)],
            ).fetchall()
        except sqlite3.IntegrityError as error:
            raise AccessError(
                f"{email} is somebody else's here.", "See them with `gritbook people list`."
            ) from error
        if not email and password_hash is None:
            raise AccessError(
                f"{shown} would have no way to sign in.",
                "Set a password first, or stop them with `gritbook people disable`.",
            )
        con.execute("DELETE FROM session WHERE key = ?", [folded(name)])
    audit.note(data, "e-mail set" if email else "e-mail taken away", shown, **_by(by))


def set_disabled(data: Path, name: str, disabled: bool, by: str = "") -> None:
    """Stop somebody from signing in, ending their sessions; or let them again.

    Raises
    ------
    AccessError
        There is nobody of that name, or no owner would be left.
    """
    with window(data, write=True) as con:
        shown = _found(con, name)
        with _keeping_an_owner(con):
            con.execute("UPDATE person SET disabled = ? WHERE key = ?", [disabled, folded(name)])
        con.execute("DELETE FROM session WHERE key = ?", [folded(name)])
    audit.note(data, "disabled" if disabled else "enabled", shown, **_by(by))


def set_password(data: Path, name: str, password: str, by: str = "") -> None:
    """Set somebody's password anew, ending their sessions.

    Raises
    ------
    AccessError
        There is nobody of that name, or the password cannot be.
    """
    with window(data) as con:
        shown = _found(con, name)
    password_hash = passwords.hashed(password, shown)
    with window(data, write=True) as con:
        con.execute(
            "UPDATE person SET password_hash = ? WHERE key = ?", [password_hash, folded(name)]
        )
        con.execute("DELETE FROM session WHERE key = ?", [folded(name)])
    audit.note(data, "password set", shown, **_by(by))


def with_password(data: Path, name: str, password: str) -> Account | None:
    """Whoever has that name and that password and may sign in; takes as long where nobody has."""
    with window(data) as con:
        row = con.execute(
            "SELECT name, role, email, password_hash, disabled, added_us FROM person WHERE key = ?",
            [folded(name)],
        ).fetchone()
    shown, role, email, password_hash, disabled, added_us = row or ("", "", "", None, 1, 0)
    if not passwords.fits(password, password_hash) or disabled:
        return None
    return Account(shown, role, email or "", True, False, added_us)


def with_email(data: Path, email: str, subject: str) -> Account | None:
    """Whoever has that e-mail and may sign in; from then on it is held to the same subject.

    An e-mail address can be given to another person; issuer and subject never are (OpenID Connect
    Core 1.0, 5.7).
    """
    with window(data, write=True) as con:
        row = con.execute(
            "SELECT key, name, role, subject, password_hash IS NOT NULL, disabled, added_us "
            "FROM person WHERE email = ?",
            [folded(email)],
        ).fetchone()
        if row is None:
            return None
        key, name, role, before, has, disabled, added_us = row
        if disabled or before not in (None, subject):
            return None
        con.execute("UPDATE person SET subject = ? WHERE key = ?", [subject, key])
    return Account(name, role, email, bool(has), False, added_us)


def name_of(data: Path, name: str) -> str:
    """How a name was written when added; empty: nobody has it."""
    with window(data) as con:
        row = con.execute("SELECT name FROM person WHERE key = ?", [folded(name)]).fetchone()
    return str(row[0]) if row else ""


def _checked_name(name: str) -> str:
    shown = " ".join(unicodedata.normalize("NFC", name).split())
    if not shown or len(shown) > LONGEST_NAME or not shown.isprintable():
        raise AccessError(
            f"{name!r} cannot be a name.", f"Take 1 to {LONGEST_NAME} characters on one line."
        )
    return shown


def _refuse_unknown_role(role: str) -> None:
    if role not in ROLE_WORDS:
        raise AccessError(f"There is no role {role!r}.", f"Take one of {', '.join(ROLE_WORDS)}.")


def _refuse_no_email(email: str) -> None:
    if email and ("@" not in email or any(c.isspace() for c in email)):
        raise AccessError(f"{email!r} is no e-mail address.", "Write it as name@place.")


def _found(con: sqlite3.Connection, name: str) -> str:
    row = con.execute("SELECT name FROM person WHERE key = ?", [folded(name)]).fetchone()
    if row is None:
        raise AccessError(f"Nobody is called {name}.", "See them with `gritbook people list`.")
    return str(row[0])


@contextmanager
def _keeping_an_owner(con: sqlite3.Connection) -> Iterator[None]:
    def owners() -> int:
        found = con.execute("SELECT count(*) FROM person WHERE role = 'owner' AND NOT disabled")
        return int(found.fetchone()[0])

    before = owners()
    yield
    if before and not owners():
        raise AccessError("No owner would be left who can sign in.", "Make somebody owner first.")


def _by(by: str) -> dict[str, str]:
    return {"by": by} if by else {}


def _now_us() -> int:
    return time.time_ns() // 1000
