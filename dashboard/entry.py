"""Fields for what people enter, shared by the log book and by sign-offs.

What was typed last is remembered for the viewer's session, so that the next entry takes seconds.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from dashboard import (
    data,
    entered_data,
    entry_drafts,
    entry_parts,
    entry_production,
    key_words,
    look,
    time_words,
    units,
)
from dashboard.access import session
from ingest.config import Yard
from ingest.errors import GritbookError, SheetSigned
from ingest.parts import QUANTITIES

#: Kinds of record in the order of how often they are entered.
KINDS = (
    "abrasive", "area", "stop_reason", "check", "shift_start", "part_fitted", "part_removed",
    "shift", "job_change", "abrasive_move", "fuel", "job", "abrasive_kind", "price", "crew",
)  # fmt: skip
#: Fields whose last value is a good guess for the next entry.
_REMEMBERED = ("pot", "pots", "crew", "job", "shift", "abrasive", "bag_kg", "bags", "part")
#: Fields without which an entry cannot be, with what to call them.
REQUIRED: dict[str, tuple[str, ...]] = {
    **entry_production.REQUIRED,
    **entry_parts.REQUIRED,
    "shift": ("shift", "crew", "job", "pots", "from_at", "to_at"),
    "crew": ("crew", "size"),
}

Body = dict[str, Any]


def remembered(name: str, otherwise: Any = None) -> Any:
    """What was entered last under a name, in this session."""
    return st.session_state.get("remembered", {}).get(name, otherwise)


def remember(values: Mapping[str, Any]) -> None:
    """Keep what is worth keeping for the next entry of this session."""
    kept = dict(st.session_state.get("remembered", {}))
    kept |= {k: v for k, v in values.items() if k in (*_REMEMBERED, "by") and v not in (None, "")}
    st.session_state["remembered"] = kept


def whose() -> str:
    """Who is at this page: signed in, or the name that they gave last; empty: not said yet."""
    here = session.person()
    if here.signed_in:
        return here.name
    return str(remembered("by", st.query_params.get("by", "")))


def who(key: str, form: entry_drafts.Form | None = None) -> str:
    """The name of whoever enters this: typed only where nobody has to sign in."""
    here = session.person()
    if here.signed_in:
        look.put(f'<p class="gb-under">Entered by {look.shown(here.name)}.</p>')
        return here.name
    begin = whose()
    return st.text_input(
        "Your name",
        form.text("by", begin) if form else begin,
        key=key,
        max_chars=80,
        autocomplete="name",
    )


def late(form: entry_drafts.Form) -> str:
    """Why an entry comes after its shift was signed; asked once one was refused for lack of it."""
    if not (st.session_state.get("log-late") or form.text("late")):
        return ""
    return st.text_input(
        "Why it comes after the sheet was signed, where it was", form.text("late"),
        key=f"{form.key}-late", max_chars=500,
    )  # fmt: skip


def missing(kind: str, body: Mapping[str, Any], by: str) -> list[str]:
    """What still has to be filled in, in words."""
    lacking = [key_words.FIELD_WORDS[f] for f in REQUIRED[kind] if body.get(f) in (None, "", [])]
    return lacking if by.strip() else [*lacking, "your name"]


def fields(
    kind: str,
    described: Yard,
    names: Mapping[str, Sequence[str]],
    values: Mapping[str, Any],
    form: entry_drafts.Form,
) -> Body:
    """Draw the fields of a kind of record, and give what is in them.

    Parameters
    ----------
    kind : str
        A key of :data:`ingest.record_bodies.BODIES`.
    described : Yard
        For pots and the site's zone.
    names : mapping
        Crews, jobs, shifts and abrasives that can be chosen.
    values : mapping
        What the fields begin with; where a field has none, what was entered last.
    form : Form
        The form that they are in; begins the keys of the widgets.

    Returns
    -------
    dict
        A body for :func:`ingest.records.add`; an empty time is left out and means now.
    """
    return _Fields(described, names, values, form).draw(kind)


class _Fields(entry_production.ProductionFields, entry_parts.PartFields):
    def __init__(
        self,
        described: Yard,
        names: Mapping[str, Sequence[str]],
        values: Mapping[str, Any],
        form: entry_drafts.Form,
    ) -> None:
        self._yard, self._names, self._values = described, names, values
        self._form, self._key = form, form.key
        # What this person entered on this pot last, on whatever phone.
        by = whose()
        pot = st.query_params.get("pot") or remembered("pot")
        self._usual = usual(pot, by) if pot in described.pot_names and not values else {}

    def draw(self, kind: str) -> Body:
        parts: dict[str, Callable[[], Body]] = {
            "abrasive": self._abrasive, "area": self._area, "check": self._check,
            "part_fitted": self._part_fitted, "part_removed": self._part_removed,
            "shift_start": self._shift_start, "shift": self._shift, "job": self._job,
            "crew": self._crew, "stop_reason": self._stop_reason, "job_change": self._job_change,
            "abrasive_move": self._abrasive_move, "abrasive_kind": self._abrasive_kind,
            "fuel": self._fuel, "price": self._price,
        }  # fmt: skip
        return {k: v for k, v in parts[kind]().items() if v is not None}

    def _begin(self, name: str, otherwise: Any = None) -> Any:
        if name in self._values:
            return self._values[name]
        if name == "pot" and st.query_params.get("pot") in self._yard.pot_names:
            return st.query_params["pot"]
        if name not in _REMEMBERED:
            return otherwise
        return remembered(name, self._usual.get(name, otherwise))

    def _text(self, name: str, label: str, otherwise: str = "", most: int = 200) -> str:
        begin = self._form.text(name, self._begin(name, otherwise))
        return st.text_input(label, begin, key=f"{self._key}-{name}", max_chars=most)

    def _number(
        self, name: str, label: str, step: float = 1.0, otherwise: float | None = None,
        whole: bool = False,
    ) -> float | None:  # fmt: skip
        begin = self._form.number(name, self._begin(name, otherwise))
        cast = int if whole else float
        return st.number_input(
            label, min_value=cast(0), value=None if begin is None else cast(begin),
            step=cast(step), key=f"{self._key}-{name}", format="%d" if whole else "%g",
        )  # fmt: skip

    def _quantity(
        self, name: str, label: str, quantity: str, otherwise: float | None = None
    ) -> float | None:
        """A number typed in the viewer's unit, as the record keeps it."""
        chosen = units.current()
        unit = chosen.of(quantity)
        # What was begun in one unit does not stand in the field of another.
        field = name if chosen is units.METRIC else f"{name}-{chosen.name}"
        kept = self._begin(name, otherwise)
        typed = st.number_input(
            f"{label} [{unit.name}]", min_value=0.0, step=unit.step, format="%g",
            value=self._form.number(field, None if kept is None else units.typed(quantity, kept)),
            key=f"{self._key}-{field}",
        )  # fmt: skip
        return None if typed is None else units.stored(quantity, float(typed))

    def _choice(
        self, name: str, label: str, options: Sequence[str], otherwise: str | None = None,
        called: Callable[[str], str] = str, may_be_none: bool = False, may_be_new: bool = False,
    ) -> str | None:  # fmt: skip
        every = list(options)
        begin = self._form.choice(
            name, every, self._begin(name, otherwise), called, may_be_new or may_be_none
        )
        if begin and begin not in every:
            every.append(begin)
        index = every.index(begin) if begin in every else None
        if index is None and every and not may_be_none:
            index = 0
        chosen = st.selectbox(
            label, every, index=index, format_func=called, key=f"{self._key}-{name}",
            accept_new_options=may_be_new,
        )  # fmt: skip
        return chosen or ("" if may_be_none else None)

    def _pot(self) -> str | None:
        return self._choice("pot", "Pot", self._yard.pot_names, called=self._called)

    def _pots(self) -> Sequence[str]:
        return self._yard.pot_names

    def _called(self, pot: str) -> str:
        return data.pot_title(self._yard, pot)

    def _when(self, name: str, label: str, empty_is_now: bool = True) -> dt.datetime | None:
        """A time on the site's clock; what was not touched keeps its seconds."""
        before = self._values.get(name)
        zone = self._yard.site.zone
        begin = None
        if isinstance(before, dt.datetime):
            begin = time_words.in_zone(before, zone).replace(tzinfo=None, second=0, microsecond=0)
        suffix = ", empty means now" if empty_is_now and begin is None else ""
        typed = st.datetime_input(
            f"{label}{suffix}", self._form.when(name, begin), key=f"{self._key}-{name}",
            format="YYYY-MM-DD", step=dt.timedelta(minutes=5),
        )  # fmt: skip
        return before if typed == begin else typed

    def _shift(self) -> Body:
        today = dt.datetime.now(self._yard.site.zone)
        pots = st.multiselect(
            "Pots", self._yard.pot_names, key=f"{self._key}-pots",
            default=self._form.choices(
                "pots", self._yard.pot_names,
                [p for p in self._begin("pots", []) if p in self._yard.pot_names], self._called,
            ),
            format_func=self._called,
        )  # fmt: skip
        return {
            "shift": self._text("shift", "Name of the shift", f"{today:%Y-%m-%d}-day", 80)
            if "shift" in self._values
            else st.text_input(
                "Name of the shift", self._form.text("shift", f"{today:%Y-%m-%d}-day"),
                key=f"{self._key}-shift", max_chars=80,
            ),
            "crew": self._choice("crew", "Crew", self._names["crew"]),
            "job": self._choice("job", "Job", self._names["job"]),
            "pots": pots,
            "from_at": self._when("from_at", "From", empty_is_now=False),
            "to_at": self._when("to_at", "To", empty_is_now=False),
            "people": self._number("people", "People, empty: as many as the crew has", whole=True),
        }  # fmt: skip

    def _crew(self) -> Body:
        return {
            "crew": st.text_input(
                "Name of the crew", self._form.text("crew", self._values.get("crew", "")),
                key=f"{self._key}-crew", max_chars=80,
            ),
            "size": self._number("size", "People in it", whole=True),
        }  # fmt: skip


def sign_off_fields(described: Yard, part: str, form: entry_drafts.Form) -> Body:
    """The fields of a sign-off where pot and part are known: the result, a photo, and what else.

    Returns
    -------
    dict
        ``photo_file`` holds the photo as it came, or ``None``.
    """
    drawer = _Fields(described, {}, {}, form)
    body: Body = {"result": drawer._result(), "photo_file": entry_parts.photo_field(form.key)}
    # What was typed and brought back must be seen, not folded away.
    with st.expander("Measured, note, time", expanded=bool(form.typed)):
        usual = [name for name, q in QUANTITIES.items() if part in q.parts]
        body |= drawer._measured(usual)
        body["new_tag"] = drawer._text("new_tag", "Of a part replaced: tag of the new one")
        body["note"] = drawer._text("note", "Note")
        body["at"] = drawer._when("at", "When checked")
    return {k: v for k, v in body.items() if v is not None}


def start_fields(described: Yard, form: entry_drafts.Form) -> Body:
    """The fields of the start of a shift where the pot is known; as :func:`sign_off_fields`."""
    drawer = _Fields(described, {}, {}, form)
    body: Body = {**drawer._answers(), "photo_file": entry_parts.photo_field(form.key)}
    body["note"] = drawer._text("note", "Note")
    return {k: v for k, v in body.items() if v is not None}


def attempt(write: Callable[[], str]) -> str | None:
    """Write something, or say in a sentence why it was not written.

    Returns
    -------
    str or None
        The record's id; ``None``: nothing was saved, what was typed stays in its fields.
    """
    try:
        return write()
    except SheetSigned as error:
        # The form asks for the reason from now on.
        st.session_state["log-late"] = True
        look.put(look.note(error.what, error.next_step, "alarm"))
        return None
    except GritbookError as error:
        look.put(look.note(error.what, error.next_step, "alarm"))
        return None


def save(write: Callable[[], str], kind: str, body: Mapping[str, Any], by: str) -> str | None:
    """Write an entry and remember it, as :func:`attempt`; what is missing is said before."""
    if lacking := missing(kind, body, by):
        look.put(look.note("Not saved yet.", f"Fill in: {', '.join(lacking)}.", "alarm"))
        return None
    record_id = attempt(write)
    if record_id is not None:
        remember({**body, "by": by})
        # A phone that comes back tomorrow by the same address knows who it belongs to.
        st.query_params["by"] = by.strip()
    return record_id


def usual(pot: str, by: str) -> Mapping[str, Any]:
    """What is usual on a pot: of its newest entries, this person's before others'.

    Returns
    -------
    mapping
        Bag size and abrasive as tipped last; crew and job of its last shift. How many bags is
        not usual, and a part's tag is its own.
    """
    if not data.has_store():
        return {}
    log = data.kept(entered_data.record_log, data.kept(data.version).value).value
    standing = [row for row in log if not (row["superseded"] or row["withdrawn"])]
    tipped = [r for r in standing if r["kind"] == "abrasive" and r["body"].get("pot") == pot]
    shifts = [r for r in standing if r["kind"] == "shift" and pot in r["body"].get("pots", [])]
    found: dict[str, Any] = {}
    for rows, names in (
        (tipped, ("bag_kg", "abrasive")),
        (shifts, ("crew", "job")),
    ):
        mine = [row for row in rows if by and row["recorded_by"] == by]
        for row in (*mine, *rows)[:1]:
            found |= {name: row["body"][name] for name in names if row["body"].get(name)}
    return found


def new_names(version: data.Version) -> Mapping[str, Sequence[str]]:
    """Names that can be chosen; none where there is no store yet."""
    if not data.has_store():
        return {"crew": [], "job": [], "shift": [], "abrasive": []}
    return data.kept(entered_data.names, version).value
