"""The access book: people, sessions, wrong tries, in one SQLite file that only its owner reads.

It lies beside the store and not in it: the store is handed to others for reading, and is made anew
from the journal, while what stands here is neither for others nor in any journal. Passwords stand
here as Argon2id hashes only, session tokens as SHA-256 only.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.access import refuse_readable_by_others
from ingest.errors import AccessError, YardFileError

FOLDER_NAME = "access"
#: How long a window waits while another program writes. [s]
_WAIT_S = 5.0
_VERSION = 1
_SCHEMA = """
CREATE TABLE person (
    key TEXT PRIMARY KEY,           -- the name, folded: two people never differ by case alone
    name TEXT NOT NULL,
    role TEXT NOT NULL,
    email TEXT,                     -- folded; for those who sign in elsewhere
    subject TEXT,                   -- issuer and subject that the e-mail came with the first time
    password_hash TEXT,             -- Argon2id; NULL: no password of ours
    disabled INTEGER NOT NULL DEFAULT 0,
    added_us INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX person_email ON person (email) WHERE email IS NOT NULL;
CREATE TABLE session (
    token_hash BLOB PRIMARY KEY,    -- SHA-256 of the token in the browser's cookie
    key TEXT NOT NULL REFERENCES person (key),
    begun_us INTEGER NOT NULL,
    seen_us INTEGER NOT NULL,
    address TEXT NOT NULL
) STRICT;
CREATE TABLE wrong_try (
    what TEXT PRIMARY KEY,          -- SHA-256 of the name or the address it came from
    wrong INTEGER NOT NULL,
    last_us INTEGER NOT NULL,
    locked_until_us INTEGER NOT NULL
) STRICT;
CREATE TABLE openid_try (
    token_hash BLOB PRIMARY KEY,    -- SHA-256 of the cookie of the browser that set out
    state TEXT NOT NULL,
    nonce TEXT NOT NULL,
    verifier TEXT NOT NULL,
    back_to TEXT NOT NULL,
    begun_us INTEGER NOT NULL
) STRICT;
"""


def folder(data: Path) -> Path:
    """The folder of everything that is about access."""
    return data / FOLDER_NAME


def book_path(data: Path) -> Path:
    """Where the access book lies."""
    return folder(data) / "people.sqlite3"


def refuse_open_to_others(path: Path, what: str) -> None:
    """Raise where others than its owner may use a file; POSIX can tell.

    Raises
    ------
    AccessError
        They may, or it cannot be looked at.
    """
    try:
        refuse_readable_by_others(path, what)
    except YardFileError as error:
        mode = path.stat().st_mode & 0o777
        raise AccessError(
            f"{what} {path} is not used: others than its owner may use it (mode {mode:03o}).",
            error.next_step,
        ) from error
    except OSError as error:
        raise AccessError(
            f"{what} {path} cannot be read: {error.strerror}.",
            "Give it to the user that runs Gritbook.",
        ) from error


def make_private(path: Path) -> None:
    """Make an empty file that only its owner may use, and the folder around it.

    Raises
    ------
    AccessError
        It cannot be made.
    """
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
    except OSError as error:
        raise AccessError(
            f"The file {path} cannot be made: {error.strerror}.",
            "Give the data folder to the user that runs Gritbook.",
        ) from error


@contextmanager
def window(data: Path, write: bool = False, make: bool = False) -> Iterator[sqlite3.Connection]:
    """Open the access book for a moment; what was written counts when the window closes whole.

    Parameters
    ----------
    data : Path
        Data folder.
    write : bool
        Whether to hold back other writers from the start, so that what is read stays true.
    make : bool
        Whether to make a book where there is none.

    Raises
    ------
    AccessError
        There is none, others may read it, or it is damaged.
    """
    path = book_path(data)
    if make and not path.exists():
        make_private(path)
    refuse_open_to_others(path, "The access book")
    try:
        con = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        try:
            con.execute("PRAGMA synchronous = FULL")
            con.execute("PRAGMA foreign_keys = ON")
            _bring_up(con)
            con.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            yield con
            con.execute("COMMIT")
        finally:
            # What was begun and not committed is undone by closing.
            con.close()
    except sqlite3.Error as error:
        raise AccessError(
            f"The access book {path} cannot be used: {error}.",
            "See to the disk; where the file is damaged, put back a copy, or move it away and add "
            "the people anew with `gritbook people add`.",
        ) from error


def _bring_up(con: sqlite3.Connection) -> None:
    (version,) = con.execute("PRAGMA user_version").fetchone()
    if version == _VERSION:
        return
    if version > _VERSION:
        raise sqlite3.DatabaseError("a newer Gritbook wrote it")
    con.execute("BEGIN IMMEDIATE")
    # Two may have come to an empty file at once.
    if con.execute("PRAGMA user_version").fetchone() == (0,):
        for statement in _SCHEMA.split(";\n"):
            if statement.strip():
                con.execute(statement)
        con.execute(f"PRAGMA user_version = {_VERSION}")
    con.execute("COMMIT")
