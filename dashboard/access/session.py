"""Who is at a page, and what they may do: asked by every page that writes, decided here.

Where nobody was ever added and the pages answer on this computer only, whoever sits at it is taken
by the name that they type, and may do everything. Else the browser's cookie says whose session it
is, and what was typed as a name counts for nothing.
"""

from __future__ import annotations

import html
import os
from pathlib import Path
from typing import NamedTuple

import streamlit as st

from dashboard.access import audit, people, roles, sessions
from dashboard.commands.options import data_folder
from ingest.errors import NotAllowed, NotSignedIn

#: The cookie that holds a session's token. Served over TLS it is called so that a browser takes it
#: from no other host and no page in the clear (RFC 6265bis, 4.1.3.2).
COOKIE, SECURE_COOKIE = "gritbook", "__Host-gritbook"
#: Where a browser goes to sign in and to see who is signed in.
SIGN_IN_PATH, ME_PATH = "/access/sign-in", "/access/me"


class Person(NamedTuple):
    """Who is at a page.

    Parameters
    ----------
    name : str
        Stands as who entered something; empty: not said yet.
    role : str
        A key of ``ROLE_WORDS``.
    signed_in : bool
        Whether they proved who they are; else they are at this computer.
    """

    name: str
    role: str
    signed_in: bool = True


def sign_in_needed() -> bool:
    """Whether people have to sign in here.

    Raises
    ------
    AccessError
        The access book cannot be used.
    """
    return people.must_sign_in(data_here())


def person() -> Person:
    """Who is at this page.

    Raises
    ------
    NotSignedIn
        Nobody is: the session is over, ended, or never was.
    AccessError
        The access book cannot be used.
    """
    if not sign_in_needed():
        return Person(st.session_state.get("remembered", {}).get("by", ""), "owner", False)
    found = sessions.find(data_here(), token())
    if found is None:
        raise NotSignedIn(
            "You are not signed in, or your session is over. Nothing was saved.",
            "Sign in again; what you typed has to be typed again.",
        )
    return Person(found.name, found.role)


def may(action: str) -> bool:
    """Whether whoever is at this page may do something; nobody may who is not signed in.

    Raises
    ------
    KeyError
        There is no such action in :data:`dashboard.access.roles.ACTIONS`.
    """
    try:
        return roles.covers(person().role, action)
    except NotSignedIn:
        return roles.covers("", action)


def may_enter(kind: str) -> bool:
    """Whether whoever is at this page may enter a kind of record: for what a page offers."""
    return may(roles.entering(kind))


def require(action: str) -> Person:
    """Whoever is at this page, if they may do something.

    Raises
    ------
    NotAllowed
        They may not; that they tried is noted.
    NotSignedIn
        Nobody is signed in.
    AccessError
        The access book or log cannot be used.
    KeyError
        There is no such action.
    """
    here = person()
    if not roles.covers(here.role, action):
        audit.note(data_here(), "refused", here.name, _address(), role=here.role, action=action)
        raise NotAllowed(
            f"You are signed in as {roles.ROLE_WORDS[here.role]}, and may not {action}. "
            "Nothing was saved.",
            f"Ask a person who may: {roles.who_may(action)}.",
        )
    return here


def writer(action: str, typed: str = "") -> str:
    """The name under which something is entered: who is signed in, and only else what was typed.

    Raises
    ------
    NotAllowed
        As :func:`require`.
    """
    here = require(action)
    if not here.signed_in:
        return typed
    sessions.seen(data_here(), token())
    return here.name


def seen() -> None:
    """Note that whoever is at this page did something; a page that refreshes itself does not."""
    if sign_in_needed():
        sessions.seen(data_here(), token())


def who_is_here(here: Person) -> str:
    """HTML for the masthead: who is signed in, as the way to sign out; empty: nobody has to."""
    if not here.signed_in:
        return ""
    called = f"<b>{html.escape(here.name)}</b>{html.escape(roles.ROLE_WORDS[here.role])}"
    return f'<a class="gb-me" href="{ME_PATH}">{called}</a>'


def token() -> str:
    """The token in the browser's cookie; empty: none."""
    cookies = st.context.cookies
    return str(cookies.get(SECURE_COOKIE) or cookies.get(COOKIE) or "")


def _address() -> str:
    return st.context.ip_address or "this computer"


def data_here() -> Path:
    """The data folder of these pages."""
    # Where dashboard.data has it; that module asks this one, so it cannot be asked from here.
    return data_folder(None if not (named := os.environ.get("GRITBOOK_DATA")) else Path(named))
