"""Fields for what people enter about parts: fitted, off, checked, looked at before a shift."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from dashboard import entry_drafts, key_words, words
from dashboard import units as viewer_units
from ingest import photos
from ingest.parts import PART_WORDS, POSITIONS, QUANTITIES, START_ITEMS, position_of

Body = dict[str, Any]

#: Fields without which an entry cannot be.
REQUIRED: dict[str, tuple[str, ...]] = {
    "check": ("pot", "part", "result"),
    "part_fitted": ("pot", "part"),
    "part_removed": ("pot", "part", "because"),
    "shift_start": ("pot",),
}

#: What stays with an entry that is corrected, for no field shows it.
CARRIED = ("photo",)

_ANSWERS = {"yes": "yes", "no": "no", "not_done": "not done"}
_BECAUSE = {"worn": "worn", "failed": "failed", "good": "still good", "other": "something else"}


class PartFields:
    """The fields; a part of ``dashboard.entry``, which has the widgets that they are made of."""

    _values: Mapping[str, Any]
    _key: str
    _form: entry_drafts.Form
    _begin: Callable[..., Any]
    _text: Callable[..., str]
    _choice: Callable[..., str | None]
    _pot: Callable[[], str | None]
    _when: Callable[..., dt.datetime | None]

    def _part(self) -> Body:
        part = self._choice("part", "Part", list(PART_WORDS), called=key_words.part)
        standing = self._values.get("position") or ""
        places = sorted({place for of_kind in POSITIONS.values() for place in of_kind})
        if standing and standing not in places:
            places.append(standing)
        typed = self._form.choice("position", places, standing, may_be_new=True)
        if typed and typed not in places:
            places.append(typed)
        position = st.selectbox(
            "Where on the pot, empty: the usual place", places,
            index=places.index(typed) if typed else None,
            key=f"{self._key}-position", accept_new_options=True,
        )  # fmt: skip
        return {"part": part, "position": position or ""}

    def _check(self) -> Body:
        return {
            "pot": self._pot(),
            **self._part(),
            "result": self._result(),
            **self._measured(list(QUANTITIES)),
            "new_tag": self._text("new_tag", "Of a part replaced: tag of the new one"),
            "note": self._text("note", "Note"),
            "rule": self._text("rule", "Only for this rule, empty: for all of the part's"),
            "at": self._when("at", "When checked"),
        }

    def _result(self) -> str | None:
        return st.segmented_control(
            "Result", list(key_words.RESULT_WORDS), wrap=True,
            default=self._form.choice(
                "result", list(key_words.RESULT_WORDS), self._values.get("result"),
                key_words.RESULT_WORDS.__getitem__,
            ),
            format_func=key_words.RESULT_WORDS.__getitem__, key=f"{self._key}-result",
        )  # fmt: skip

    def _measured(self, quantities: Sequence[str]) -> Body:
        """What was measured: a number with its unit, or a word, or just in words."""
        body: Body = {}
        numbers = [name for name in quantities if QUANTITIES[name].units]
        judged = [name for name in quantities if QUANTITIES[name].choices]
        standing = self._values.get("quantity") or ""
        if numbers:

            def called(name: str) -> str:
                return words.sentence(QUANTITIES[name].words)

            begun = self._form.choice("quantity", numbers, standing, called)
            chosen = st.selectbox(
                "Measured", numbers, key=f"{self._key}-quantity", format_func=called,
                index=numbers.index(begun) if begun in numbers else 0,
            )  # fmt: skip
            units = list(dict.fromkeys(unit for name in numbers for unit in QUANTITIES[name].units))
            # A gauge is read in its own unit; the viewer's stands first where both are taken.
            usual = [u for u in units if viewer_units.is_inch_pound(u)]
            first = self._values.get("unit") or (usual[0] if usual else "")
            begin = self._form.choice("unit", units, first)
            left, right = st.columns(2)
            with left:
                value = st.number_input(
                    "How much", value=self._form.number("value", self._values.get("value")),
                    key=f"{self._key}-value", format="%g", step=None,
                )  # fmt: skip
            with right:
                unit = st.selectbox(
                    "Unit", units, index=units.index(begin) if begin in units else 0,
                    key=f"{self._key}-unit",
                )  # fmt: skip
            if value is not None:
                body = {"quantity": chosen, "value": float(value), "unit": unit}
        said = self._values.get("measurement") or ""
        choices = list(dict.fromkeys(c for name in judged for c in QUANTITIES[name].choices))
        seen = None
        if choices:
            was = said if standing in judged and said in choices else None
            was = self._form.choice("seat", choices, was)
            seen = st.selectbox(
                "Condition of the seat", choices, key=f"{self._key}-seat",
                index=choices.index(was) if was in choices else None,
            )  # fmt: skip
        text = self._text("measurement", "In words") if standing not in judged else ""
        if seen and not body:
            body = {"quantity": judged[0], "measurement": seen}
            return body
        said = "; ".join(t for t in (f"seat {seen}" if seen else "", text) if t)
        return body | {"measurement": said}

    def _part_fitted(self) -> Body:
        return {
            "pot": self._pot(),
            **self._part(),
            "tag": self._text("tag", "Tag on the part; one that is on another pot moves here"),
            "at": self._when("at", "When fitted"),
            "note": self._text("note", "Note"),
        }

    def _part_removed(self) -> Body:
        return {
            "pot": self._pot(),
            **self._part(),
            "because": st.segmented_control(
                "Because it was", list(_BECAUSE), wrap=True, format_func=_because,
                default=self._form.choice(
                    "because", list(_BECAUSE), self._values.get("because"), _because
                ),
                key=f"{self._key}-because",
            ),
            "tag": self._text("tag", "Tag on the part"),
            "at": self._when("at", "When taken off"),
            "note": self._text("note", "Note"),
        }  # fmt: skip

    def _shift_start(self) -> Body:
        return {
            "pot": self._pot(),
            **self._answers(),
            "at": self._when("at", "When looked at"),
            "note": self._text("note", "Note"),
            "shift": self._values.get("shift") or "",
        }

    def _answers(self) -> Body:
        return {
            name: st.segmented_control(
                words.sentence(item.words), list(_ANSWERS),
                default=self._form.choice(
                    name, list(_ANSWERS), self._values.get(name, "not_done"), _answer
                ) or "not_done",
                required=True, format_func=_answer, key=f"{self._key}-{name}",
                help=item.source,
            )
            for name, item in START_ITEMS.items()
        }  # fmt: skip


def _because(key: str) -> str:
    return words.sentence(_BECAUSE[key])


def _answer(key: str) -> str:
    return words.sentence(_ANSWERS[key])


def photo_field(key: str) -> Any:
    """A photo from the phone's camera or its pictures; ``None``: none was taken."""
    return st.file_uploader(
        "Photo", type=[*photos.MEDIA_TYPES, "jpeg"], key=f"{key}-photo",
        max_upload_size=photos.LARGEST_BYTES // 2**20,
    )  # fmt: skip


def sentence(kind: str, body: Mapping[str, Any]) -> str | None:
    """An entry about a part in one line; ``None``: it is of another kind."""
    if kind not in REQUIRED:
        return None
    if kind == "shift_start":
        no = [START_ITEMS[name].words for name in START_ITEMS if body.get(name) == "no"]
        done = sum(body.get(name) in ("yes", "no") for name in START_ITEMS)
        said = f"start of a shift, {body['pot']}, {done} of {len(START_ITEMS)} looked at"
        return said + (f"; not so: {'; '.join(no)}" if no else "")
    position = position_of(body["part"], body.get("position", ""))
    part = key_words.part(body["part"])
    if position != position_of(body["part"]):
        part += f" {position}"
    if kind == "check":
        return f"{part}, {body['pot']}, {key_words.RESULT_WORDS[body['result']]}"
    tag = f" {body['tag']}" if body.get("tag") else ""
    said = f"{part}{tag}, {body['pot']}"
    return said + (f", taken off: {_BECAUSE[body['because']]}" if kind == "part_removed" else "")
