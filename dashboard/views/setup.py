"""Yard set-up: pots, boxes, transducers, calibrations and checks, looked at before saving."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import streamlit as st

from dashboard import (
    data,
    entered_data,
    entry,
    entry_drafts,
    key_words,
    look,
    setup_effects,
    setup_fields,
    time_words,
    units,
    words,
)
from dashboard.access import session
from ingest import yard_save
from ingest.config import Derive, Site, Yard, parse_yard
from ingest.errors import GritbookError, YardFileError
from ingest.yard_edit import AddTable, Edit, Path, RemoveTable, difference, edited, parsed
from ingest.yard_pots import Box
from ingest.yard_review import Review
from ingest.yard_rules import default_rule

#: Who may change anything here; a key of the table of roles.
ACTION = "set up the yard"
ROOMS = {
    "pot": "Pots", "box": "Boxes", "transducer": "Transducers", "rule": "Checks",
    "site": "Yard", "review": "Review", "derive": "Thresholds",
}  # fmt: skip
_UNDER = {
    "pot": "Vessels, as their plates say. A name stays for ever: readings are kept under it.",
    "box": "Sensor boxes, and from when on their silence is a gap.",
    "transducer": "Ranges and calibrations are applied when figures are derived: one that is "
    "mended mends the history too.",
    "rule": "Without one of its own a part has the usual checks. Loosening one needs a reason and "
    "a name, and every page says so.",
    "site": "What the yard is called, and its clock. Crews and their sizes are in the log book.",
    "review": "What a shift's review aims at.",
    "derive": "How cycles are told from readings; the defaults suit most boxes.",
}
_ANOTHER = "another one"


class Change(NamedTuple):
    """A change that waits to be looked at.

    Parameters
    ----------
    what : str
        In a few words.
    text : str
        The whole file, as it will be.
    seen : str
        Digest of the file that it was made from.
    form : str
        The form that it came from.
    """

    what: str
    text: str
    seen: str
    form: str


def page() -> None:
    """Yard set-up."""
    look.put(
        look.title(
            "Yard set-up",
            "Every change is checked, shown line by line with what it will cause, and only then "
            "saved. Comments in the file stay; the older file is kept.",
        ),
        look.caution(),
    )
    if (done := st.session_state.pop("setup-done", None)) is not None:
        look.put(look.note(*done))
    path = data.place().yard
    standing = yard_save.read_text(path)
    may = session.may(ACTION)
    if not may:
        look.put(look.note("For looking.", f"Your role may not {ACTION}; nothing is saved."))
    if (change := st.session_state.get("setup-change")) is not None:
        _look_at(change, standing)
        return
    raw = parsed(standing.text)
    room = st.segmented_control(
        "Set up", list(ROOMS), default="pot", key="setup-room", required=True, wrap=True,
        format_func=ROOMS.__getitem__,
    )  # fmt: skip
    described = data.yard()
    look.put(look.heading(ROOMS[room or "pot"], _UNDER[room or "pot"]))
    if room in ("site", "review", "derive"):
        _single(room, raw, standing)
    elif room is not None:
        _several(room, raw, standing, described)
    if may:
        _whole(standing)


# --- one table -------------------------------------------------------------------------------


def _single(room: str, raw: Mapping[str, Any], standing: yard_save.YardText) -> None:
    fields, model = {
        "site": (setup_fields.SITE, Site), "review": (setup_fields.REVIEW, Review),
        "derive": (setup_fields.DERIVE, Derive),
    }[room]  # fmt: skip
    defaults = _defaults(model)
    table = raw.get(room, {})
    form = entry_drafts.opened(f"setup-{room}")
    with st.form(form.key, border=False):
        typed = setup_fields.draw(fields, table, form, (), defaults, False)
        pressed = st.form_submit_button("Look at the change", type="primary")
    if pressed:
        _propose(
            f"{ROOMS[room]} changed",
            lambda: setup_fields.edits((room,), table, typed, defaults), standing, form.name,
        )  # fmt: skip


# --- tables of which there are several -------------------------------------------------------


def _several(
    room: str, raw: Mapping[str, Any], standing: yard_save.YardText, described: Yard
) -> None:
    tables: Sequence[Mapping[str, Any]] = raw.get(room, [])
    choices = [*range(len(tables)), -1]
    chosen = st.selectbox(
        "Which", choices, key=f"setup-which-{room}",
        format_func=lambda i: _called(room, tables[i]) if i >= 0 else _ANOTHER,
    )  # fmt: skip
    is_new = chosen == -1
    table: Mapping[str, Any] = {} if is_new else tables[chosen]
    fields = {
        "pot": setup_fields.POT, "box": setup_fields.BOX, "rule": setup_fields.RULE,
        "transducer": setup_fields.TRANSDUCER,
    }[room]  # fmt: skip
    defaults = {
        "box": _defaults(Box), "transducer": {"unit": "Pa"}, "rule": {"task": "check"},
    }.get(room, {})  # fmt: skip
    if room == "rule" and not is_new:
        look.put(f'<p class="gb-under">{look.shown(_as_usual(table))}</p>')
    form = entry_drafts.opened(f"setup-{room}-{'new' if is_new else chosen}")
    name = _ANOTHER if is_new else _called(room, table)
    with st.form(form.key, border=False):
        typed = setup_fields.draw(fields, table, form, described.pot_names, defaults, is_new)
        pressed = st.form_submit_button("Look at the change", type="primary")
    if pressed:

        def make() -> list[Edit]:
            if is_new:
                return setup_fields.another((room,), typed, defaults)
            return setup_fields.edits((room, chosen), table, typed, defaults)

        what = f"{_called(room, typed)} added" if is_new else f"{name} changed"
        _propose(what, make, standing, form.name)
    if is_new:
        return
    if room == "transducer":
        _calibrations(chosen, table, standing, described)
    if st.button(f"Take {words.label(name)} away", key=f"setup-gone-{room}-{chosen}"):
        _propose(f"{name} taken away", lambda: [RemoveTable((room, chosen))], standing, form.name)


def _as_usual(table: Mapping[str, Any]) -> str:
    """What would hold without a rule of the yard's own."""
    usual = default_rule(str(table.get("name") or table.get("part", "")))
    if usual is None:
        return "There is no usual check of this name."
    limits = [
        f"{limit:g} {of}"
        for limit, of in (
            (usual.every_blast_h, "blast hours"), (usual.every_cycles, "pinch cycles"),
            (usual.every_days, "days"),
        )
        if limit is not None
    ]  # fmt: skip
    if usual.indicator:
        limits.append("by condition")
    return f"Usually: {' or '.join(limits)}. It rests on {usual.source}."


def _called(room: str, table: Mapping[str, Any]) -> str:
    if room == "transducer":
        return f"{table.get('pot', '')} {table.get('channel', '')}".strip() or "transducer"
    if room == "rule":
        called = table.get("name") or key_words.part(str(table.get("part", "")))
        where = f", {', '.join(table['pots'])}" if table.get("pots") else ""
        return f"{called}{where}" or "check"
    title = f" ({table['title']})" if table.get("title") else ""
    return f"{table.get('name', '')}{title}".strip() or room


# --- calibrations ----------------------------------------------------------------------------


def _calibrations(
    chosen: int, table: Mapping[str, Any], standing: yard_save.YardText, described: Yard
) -> None:
    kept: Sequence[Mapping[str, Any]] = table.get("calibration", [])
    name, zone = _called("transducer", table), described.site.zone
    unit = units.unit("pressure")
    look.put(
        look.heading(
            f"Calibrations of {name}",
            "Each is good from its date until the next one. True = (read - offset) x gain.",
        )
    )
    law = described.transducer(str(table.get("pot")), str(table.get("channel")))
    if law is not None and law.calibrations:
        look.put(
            look.table(
                ["from", f"offset [{unit}]", "gain"],
                [
                    [time_words.day_and_time(c.from_at, zone),
                     f"{units.typed('pressure', c.offset_pa):.5g}", f"{c.gain:.5g}"]
                    for c in law.calibrations
                ],
                f"Calibrations of {name}, oldest first",
            )
        )  # fmt: skip
    else:
        look.put(look.note("None yet.", "Readings are taken as they came."))
    form = entry_drafts.opened(f"setup-calibration-{chosen}")
    with st.form(form.key, border=False):
        today = dt.datetime.now(zone).replace(tzinfo=None, hour=0, minute=0, second=0)
        from_at = st.datetime_input(
            "Good from", form.when("from_at", today.replace(microsecond=0)),
            key=f"{form.key}-from_at", format="YYYY-MM-DD", step=dt.timedelta(minutes=5),
        )  # fmt: skip
        points = []
        for i, called in enumerate(("First point", "Second point; empty: a zero alone")):
            left, right = st.columns(2)
            with left:
                read = _pressure(form, f"read{i}", f"{called}: it read [{unit}]")
            with right:
                true = _pressure(form, f"true{i}", f"True was [{unit}]")
            points.append((read, true))
        pressed = st.form_submit_button("Look at the calibration", type="primary")
    if pressed:
        _propose(
            f"Calibration of {name} added",
            lambda: [_calibration((("transducer", chosen, "calibration")), kept, law, from_at,
                                  points, zone)],
            standing, form.name, _through(points),
        )  # fmt: skip
    if kept and st.button("Take the newest calibration away", key=f"setup-uncal-{chosen}"):
        _propose(
            f"Newest calibration of {name} taken away",
            lambda: [RemoveTable(("transducer", chosen, "calibration", len(kept) - 1))],
            standing, form.name,
        )  # fmt: skip


def _pressure(form: entry_drafts.Form, name: str, label: str) -> float | None:
    value = st.number_input(
        label, value=form.number(name, None), key=f"{form.key}-{name}", format="%g", step=None
    )
    return None if value is None else round(units.stored("pressure", value), 1)


def _through(points: Sequence[tuple[float | None, float | None]]) -> str:
    found = setup_fields.two_points(points)
    if found is None:
        return ""
    offset = units.typed("pressure", found[0])
    unit = units.unit("pressure")
    return f"Through the two points: offset {offset:.5g} {unit}, gain {found[1]:.5g}."


def _calibration(
    array: Path, kept: Sequence[Mapping[str, Any]], law: Any, from_at: dt.datetime | None,
    points: Sequence[tuple[float | None, float | None]], zone: Any,
) -> Edit:  # fmt: skip
    """The calibration that was typed, at its place by date."""
    if from_at is None:
        raise YardFileError("Nothing was made: the calibration has no date.", "Fill in from when.")
    (read, true), second = points
    if read is None or true is None or (second[0] is None) != (second[1] is None):
        raise YardFileError(
            "Nothing was made: a point is only half there.",
            "Fill in what it read and what was true, of one point or of two.",
        )
    values: dict[str, Any] = {"from_at": setup_fields.from_midnight(from_at.date(), from_at.time())}
    if second[0] is not None:
        values["points_pa"] = [[read, true], list(second)]
    else:
        # One point alone says by how much it reads too high, at gain 1.
        values["offset_pa"] = round(read - true, 1)
    begin = from_at.replace(tzinfo=zone)
    later = [i for i, c in enumerate(law.calibrations if law else ()) if c.from_at > begin]
    return AddTable(array, values, later[0] if later and len(kept) > later[0] else None)


# --- the whole text --------------------------------------------------------------------------


def _whole(standing: yard_save.YardText) -> None:
    with st.expander("The whole text"):
        look.put(
            '<p class="gb-under">All that the yard file can say; the template that `gritbook init` '
            "writes explains each key. Passwords stand in no yard file: it names where they are."
            "</p>"
        )
        form = entry_drafts.opened("setup-text")
        with st.form(form.key, border=False):
            text = st.text_area(
                "yard.toml", form.text("text", standing.text), key=f"{form.key}-text", height=480
            )
            pressed = st.form_submit_button("Look at the change")
        if pressed:
            # A browser ends lines in one character, whatever the file does.
            if "\r\n" in standing.text:
                text = text.replace("\r\n", "\n").replace("\n", "\r\n")
            _wait("Changed in the whole text", text, standing, form.name)


# --- looking at a change, and saving it ------------------------------------------------------


def _defaults(model: Any) -> dict[str, Any]:
    return {
        field.alias or name: field.default
        for name, field in model.model_fields.items()
        if not field.is_required()
    }


def _propose(
    what: str, make: Callable[[], list[Edit]], standing: yard_save.YardText, form: str,
    more: str = "",
) -> None:  # fmt: skip
    try:
        text = edited(standing.text, make())
    except GritbookError as error:
        look.put(look.note(error.what, error.next_step, "alarm"))
        return
    _wait(what, text, standing, form, more)


def _wait(what: str, text: str, standing: yard_save.YardText, form: str, more: str = "") -> None:
    """Check a text; where it holds, show it before anything is saved."""
    if text == standing.text:
        look.put(look.note("Nothing is changed by that.", "Change a field first."))
        return
    try:
        parse_yard(text, data.place().yard.name)
    except GritbookError as error:
        look.put(look.note(error.what, "Nothing was saved. Mend what is named above.", "alarm"))
        return
    st.session_state["setup-change"] = Change(what, text, standing.digest, form)
    st.session_state["setup-more"] = more
    st.rerun()


def _look_at(change: Change, standing: yard_save.YardText) -> None:
    name = data.place().yard.name
    before, after = data.yard(), parse_yard(change.text, name)
    look.put(look.heading(change.what, "Not saved yet. This is what will be other in the file."))
    lines = difference(standing.text, change.text, name)
    look.put(_by_line(lines))
    if more := st.session_state.get("setup-more"):
        look.put(f'<p class="gb-under">{look.shown(more)}</p>')
    look.put(
        look.heading("What it will cause"),
        "".join(
            f'<p class="gb-under">{look.shown(line)}</p>'
            for line in setup_effects.effects(before, after)
        ),
    )
    form = entry_drafts.opened("setup-save")
    with st.form(form.key, border=False):
        by = entry.who(f"{form.key}-by", form)
        with st.container(horizontal=True):
            pressed = st.form_submit_button("Save to the yard file", type="primary")
            left = st.form_submit_button("Leave it")
    if left:
        st.session_state.pop("setup-change")
        st.rerun()
    if pressed and (kept := _save(change, lines, by)):
        st.session_state.pop("setup-change")
        entry.remember({"by": by})
        entry_drafts.closed(change.form)
        st.session_state["setup-done"] = (
            f"Saved: {change.what}.",
            f"The older file is kept as {kept}; the change stands in the log book.",
        )
        st.rerun()


def _by_line(lines: str) -> str:
    """A difference, with its lines told apart by a word and a rule beside them, not by colour."""
    told = []
    for line in lines.splitlines()[2:]:
        kind = {"+": "gb-comes", "-": "gb-goes", "@": "gb-where"}.get(line[:1], "gb-stays")
        if kind == "gb-where":
            begin = line.split("+")[1].split(",")[0].split()[0]
            line = f"line {begin}"
        told.append(f'<span class="{kind}">{look.shown(line)}</span>')
    return f'<pre class="gb-lines" tabindex="0">{"".join(told)}</pre>'


def _save(change: Change, lines: str, by: str) -> str:
    """Save, and write down who did; empty: it was not saved, and that was said."""
    place = data.place()
    try:
        session.require(ACTION)

        def note(after: str, kept: str) -> None:
            body = {
                "what": change.what, "before": change.seen, "after": after, "kept": kept,
                "change": lines,
            }  # fmt: skip
            entered_data.enter("yard_change", body, by)

        return yard_save.replace(place.data, place.yard, change.text, change.seen, note).name
    except GritbookError as error:
        look.put(look.note(error.what, error.next_step, "alarm"))
        return ""


if __name__ == "__main__":
    page()
