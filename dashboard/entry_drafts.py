"""Forms whose typing outlives the session: reload, a sleeping phone, a server started anew.

The browser keeps what is typed (:mod:`dashboard.entry_script`) and hands it over once to each new
session; the forms are then drawn with it. Each form has, from when it is opened, half of the id
that its record will have: saving it twice enters it once.
"""

from __future__ import annotations

import datetime as dt
import math
import secrets
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import streamlit as st

from dashboard import entry_script, look
from ingest import record_ids

_KEY = "entry-drafts"
#: Forms that are told to the browser as saved or given up, at most.
_GONE_KEPT = 40
#: What one browser may hand over: forms, and characters a field.
_FORMS_MOST, _TEXT_MOST = 60, 5_000


class Form(NamedTuple):
    """A form that is open.

    Parameters
    ----------
    name : str
        What it is called, whoever opens it: the draft's name.
    key : str
        Begins the keys of its widgets; another one each time that it is emptied or brought back.
    once : str
        What keeps its record from being entered twice (:func:`ingest.record_ids.new_once`).
    typed : mapping
        What was typed before and not saved, field by field, as the browser showed it.
    typed_at : datetime or None
        When; UTC. ``None``: nothing was.
    """

    name: str
    key: str
    once: str
    typed: Mapping[str, Any]
    typed_at: dt.datetime | None

    def text(self, name: str, otherwise: str = "") -> str:
        """Text typed before, or what the field begins with otherwise."""
        typed = self.typed.get(name)
        return typed if isinstance(typed, str) else otherwise

    def number(self, name: str, otherwise: float | None) -> float | None:
        """As :meth:`text`, for a number; an emptied field stays empty."""
        if name not in self.typed:
            return otherwise
        try:
            value = float(str(self.typed[name]).replace(",", "."))
        except ValueError:
            return None
        return value if math.isfinite(value) else None

    def choice(
        self, name: str, options: Sequence[Any], otherwise: Any,
        called: Callable[[Any], str] = str, may_be_new: bool = False,
    ) -> Any:  # fmt: skip
        """As :meth:`text`, for one of a few, told by what it is called."""
        if name not in self.typed:
            return otherwise
        typed = self.typed[name]
        for option in options:
            if called(option) == typed:
                return option
        return (typed or None) if may_be_new else None

    def choices(
        self, name: str, options: Sequence[str], otherwise: Sequence[str],
        called: Callable[[str], str],
    ) -> list[str]:  # fmt: skip
        """As :meth:`choice`, for several."""
        typed = self.typed.get(name)
        if not isinstance(typed, list):
            return list(otherwise)
        return [option for option in options if called(option) in typed]

    def tick(self, name: str, otherwise: bool) -> bool:
        """As :meth:`text`, for yes or no."""
        typed = self.typed.get(name)
        return typed if isinstance(typed, bool) else otherwise

    def when(self, name: str, otherwise: dt.datetime | None) -> dt.datetime | None:
        """As :meth:`text`, for a time on the site's clock."""
        if name not in self.typed:
            return otherwise
        try:
            return dt.datetime.fromisoformat(str(self.typed[name]))
        except ValueError:
            return None


def _state() -> dict[str, Any]:
    if _KEY not in st.session_state:
        st.session_state[_KEY] = {
            "nonce": secrets.token_hex(8), "found": {}, "turn": {}, "once": {}, "gone": [],
            "open": {},
        }  # fmt: skip
    kept: dict[str, Any] = st.session_state[_KEY]
    return kept


def opened(name: str, numbered: bool = False) -> Form:
    """A form that is drawn now; its fields take their keys and beginnings from it.

    Parameters
    ----------
    name : str
        What it is called; the same after a reload.
    numbered : bool
        Whether the first key has its number too.
    """
    state = _state()
    draft = state["found"].get(name)
    if name not in state["once"]:
        state["once"][name] = draft["once"] if draft else record_ids.new_once()
    turn = state["turn"].get(name, 0)
    key = f"{name}-{turn}" if turn or numbered else name
    form = Form(
        name, key, state["once"][name],
        draft["fields"] if draft else {},
        dt.datetime.fromtimestamp(draft["at"] / 1000, dt.UTC) if draft else None,
    )  # fmt: skip
    state["open"][name] = {
        "name": name, "key": key, "once": form.once,
        # Of when the typing is that it was drawn with: the browser may have newer. [ms]
        "restored": draft["at"] if draft else 0,
    }  # fmt: skip
    return form


def closed(name: str) -> None:
    """A form was saved or given up: its draft goes, and it is empty when it is opened again."""
    state = _state()
    draft = state["found"].pop(name, None)
    for once in {state["once"].pop(name, None), draft and draft["once"]}:
        if once:
            state["gone"] = [*state["gone"], [name, once]][-_GONE_KEPT:]
    state["turn"][name] = state["turn"].get(name, 0) + 1
    state["open"].pop(name, None)


def waits(name: str) -> bool:
    """Whether a form has typing that was brought back and not saved."""
    return name in _state()["found"]


def brought_back(form: Form, clock: Callable[[dt.datetime], str]) -> None:
    """Say that what was typed before stands in the form again, with the way to empty it."""
    if form.typed_at is None:
        return
    at = clock(form.typed_at.replace(tzinfo=None))
    look.put(
        look.note(
            f"Not saved yet: what was typed at {at} is here again.",
            "Look at it and save it. A photo has to be taken again.",
            "warn",
        )
    )
    st.button("Empty it", key=f"{form.key}-empty", on_click=closed, args=(form.name,))


def _take() -> None:
    """Take in what a browser kept: once a session, and when a form comes back to the page."""
    handed = st.session_state.get("entry-keeper", {}).get("found")
    state = _state()
    if not isinstance(handed, dict) or handed.get("nonce") != state["nonce"]:
        return
    drafts = handed.get("drafts")
    newest: tuple[float, str] = (0.0, "")
    for name, draft in list((drafts if isinstance(drafts, dict) else {}).items())[:_FORMS_MOST]:
        checked = _checked(draft)
        if checked is None or [name, checked["once"]] in state["gone"]:
            continue
        if state["found"].get(name) != checked:
            state["found"][name] = checked
            state["once"][name] = checked["once"]
            state["turn"][name] = state["turn"].get(name, 0) + 1
        newest = max(newest, (checked["at"], name))
    # The log book opens where somebody was; who changes from form to form is where they want to be.
    if handed.get("fresh") is not True:
        return
    begin, _, rest = newest[1].partition("-")
    if begin == "new" and not st.session_state.get("log-open"):
        st.session_state["log-kind"] = rest
    elif begin == "correct":
        st.session_state["log-open"] = rest


def _checked(draft: object) -> dict[str, Any] | None:
    """A draft as a browser hands it over, or ``None``: it is none. Anybody can send anything."""
    if not isinstance(draft, dict):
        return None
    once, at, fields = draft.get("once"), draft.get("at"), draft.get("fields")
    if not isinstance(at, int | float) or not 0 < at < 4e12 or not isinstance(fields, dict):
        return None
    if not isinstance(once, str) or not record_ids.is_once(once):
        return None
    kept = {
        str(name)[:80]: value
        for name, value in list(fields.items())[:100]
        if isinstance(value, bool)
        or (isinstance(value, str) and len(value) <= _TEXT_MOST)
        or (isinstance(value, list) and all(isinstance(one, str) for one in value))
    }
    return {"once": once, "at": float(at), "fields": kept}


_keeper = st.components.v2.component(
    "gritbook_entry_keeper", js=entry_script.SCRIPT, css=entry_script.STYLE, isolate_styles=False
)


def listen() -> None:
    """Let the browser listen for typing; first on every page, before any form is on it."""
    _keeper(key="entry-listener")


def keep() -> None:
    """Let the browser keep what is typed, and tell when the line is gone; last on every page."""
    state = _state()
    _keeper(
        key="entry-keeper",
        data={
            "nonce": state["nonce"], "forms": list(state["open"].values()), "gone": state["gone"],
        },
        on_found_change=_take,
    )  # fmt: skip
    state["open"] = {}
