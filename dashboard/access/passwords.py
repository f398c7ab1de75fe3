"""Passwords as Argon2id hashes (RFC 9106), and an answer that takes as long where there is none.

Length is what is asked of a password, as NIST SP 800-63B-4 has it (3.1.1.2): no mixture of kinds of
characters, no changing by the calendar; but none that is guessed first.
"""

from __future__ import annotations

import itertools
import secrets
import threading
import unicodedata
from functools import lru_cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from ingest.errors import AccessError

#: Fewest characters of a password that stands alone: SP 800-63B-4, 3.1.1.2.
FEWEST = 15
#: A longer one is no password, and would be work for nothing. [characters]
MOST = 256
#: Fewest different characters: "aaaaaaaaaaaaaaa" is guessed first.
_FEWEST_DIFFERENT = 6

#: RFC 9106's second recommended option: 64 MiB, 3 passes, 4 lanes.
_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
# Each hash takes 64 MiB: a flood of tries must not take the computer's memory.
_at_once = threading.BoundedSemaphore(2)


def hashed(password: str, name: str) -> str:
    """Hash a new password.

    Parameters
    ----------
    password : str
        What was typed.
    name : str
        Whose it is: the name alone is no password.

    Returns
    -------
    str
        The hash with its parameters and salt, as text.

    Raises
    ------
    AccessError
        It is too short, too long, or guessed first.
    """
    usual = _usual(password)
    if len(usual) < FEWEST:
        raise AccessError(
            f"The password has {len(usual)} characters; at least {FEWEST} are needed.",
            "Four or five words that only you would put together are easy to keep in mind.",
        )
    if len(usual) > MOST:
        raise AccessError(f"The password has more than {MOST} characters.", "Take a shorter one.")
    folded = usual.casefold()
    bare = folded.replace(" ", "")
    for known in (name.casefold().replace(" ", ""), "gritbook", "password"):
        bare = bare.replace(known, "") if known else bare
    runs = sum(ord(b) - ord(a) in (0, 1, -1) for a, b in itertools.pairwise(bare))
    if len(set(bare)) < _FEWEST_DIFFERENT or runs > len(bare) / 2:
        raise AccessError(
            "The password is one that is guessed first: a name, a row of keys, or one thing "
            "repeated.",
            "Four or five words that only you would put together are easy to keep in mind.",
        )
    with _at_once:
        return _hasher.hash(usual)


def fits(password: str, password_hash: str | None) -> bool:
    """Whether a password is the one that was hashed.

    Where there is no hash, one that nobody knows is checked in its place, so that the time taken
    does not tell whether a name exists.

    Raises
    ------
    AccessError
        What stands in the place of the hash is none.
    """
    if len(password) > MOST:
        password = password[:MOST] + "\0"  # as much work, and never the right one
    try:
        with _at_once:
            return _hasher.verify(password_hash or _nobodys(), _usual(password)) and bool(
                password_hash
            )
    except InvalidHashError as error:
        raise AccessError(
            "What stands in the access book in the place of a password's hash is none.",
            "Set the password anew with `gritbook people password`.",
        ) from error
    except VerificationError:
        return False


def is_outdated(password_hash: str) -> bool:
    """Whether a hash was made with other parameters than those in use."""
    return _hasher.check_needs_rehash(password_hash)


@lru_cache(maxsize=1)
def _nobodys() -> str:
    return _hasher.hash(secrets.token_hex(32))


def _usual(password: str) -> str:
    """The same characters typed on another keyboard are the same password (RFC 8265, 4.2)."""
    return unicodedata.normalize("NFC", password)
