"""Coming in and going out: what is proved, what is counted, what is noted, in that order."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from dashboard.access import audit, passwords, people, sessions, tries
from dashboard.access.book import window
from ingest.errors import AccessError, NotSignedIn

#: How an unknown name stands in the log: what was typed may have been a password.
UNKNOWN = "(a name that nobody has)"


class Outcome(NamedTuple):
    """What became of a try.

    Parameters
    ----------
    token : str
        For the browser's cookie; empty: not signed in.
    wait_s : int
        How long until the next try is looked at. [s]
    """

    token: str
    wait_s: int = 0


def sign_in(data: Path, name: str, password: str, address: str) -> Outcome:
    """Try to sign in by a password.

    The answer is the same, and takes as long, for a wrong password, a name that nobody has and one
    that is stopped.

    Raises
    ------
    AccessError
        The access book or log cannot be used.
    """
    attempt = tries.count(data, name, address)
    if attempt.wait_s:
        return Outcome("", attempt.wait_s)
    account = people.with_password(data, name, password)
    if account is None:
        shown = people.name_of(data, name) or UNKNOWN
        audit.note(data, "wrong", shown, address)
        if attempt.locks:
            audit.note(data, "locked out", shown, address)
        return Outcome("")
    tries.take_back(data, name, address)
    _refresh_hash(data, account.name, password)
    return Outcome(_begin(data, account, address, "password"))


def sign_in_elsewhere(data: Path, email: str, subject: str, address: str) -> Outcome:
    """Let in somebody whom the identity provider vouches for, if the e-mail was added here.

    Raises
    ------
    AccessError
        The access book or log cannot be used.
    """
    account = people.with_email(data, email, subject)
    if account is None:
        # The provider vouches for the address, so it is no slip of somebody's password.
        audit.note(data, "refused", email, address, how="identity provider")
        return Outcome("")
    return Outcome(_begin(data, account, address, "identity provider"))


def sign_out(data: Path, token: str, address: str, everywhere: bool = False) -> None:
    """End a session, or all of its owner's; one that is over already is let be."""
    found = sessions.find(data, token)
    if found is None:
        return
    if everywhere:
        sessions.end_all(data, found.name)
    else:
        sessions.end(data, token)
    audit.note(data, "signed out everywhere" if everywhere else "signed out", found.name, address)


def change_password(data: Path, token: str, old: str, new: str, address: str) -> Outcome:
    """Change one's own password; all sessions end, and a new one begins.

    Raises
    ------
    NotSignedIn
        Nobody is signed in by that token.
    AccessError
        The new password cannot be; or the access book or log cannot be used.
    """
    found = sessions.find(data, token)
    if found is None:
        raise NotSignedIn("Your session is over. The password was not changed.", "Sign in again.")
    attempt = tries.count(data, found.name, address)
    if attempt.wait_s:
        return Outcome("", attempt.wait_s)
    account = people.with_password(data, found.name, old)
    if account is None:
        audit.note(data, "wrong", found.name, address, how="changing the password")
        return Outcome("")
    tries.take_back(data, found.name, address)
    people.set_password(data, found.name, new, by=found.name)
    return Outcome(_begin(data, account, address, "password"))


def _begin(data: Path, account: people.Account, address: str, how: str) -> str:
    # Noted first: nobody comes in whom the log does not have.
    audit.note(data, "signed in", account.name, address, role=account.role, how=how)
    return sessions.begin(data, account.name, address)


def _refresh_hash(data: Path, name: str, password: str) -> None:
    """Hash a password anew that was hashed with parameters of before."""
    with window(data) as con:
        row = con.execute(
            "SELECT password_hash FROM person WHERE key = ?", [people.folded(name)]
        ).fetchone()
    if row and row[0] and passwords.is_outdated(row[0]):
        try:
            fresh = passwords.hashed(password, name)
        except AccessError:
            return  # too short by today's rule: it stays until it is changed
        with window(data, write=True) as con:
            con.execute(
                "UPDATE person SET password_hash = ? WHERE key = ? AND password_hash = ?",
                [fresh, people.folded(name), row[0]],
            )
