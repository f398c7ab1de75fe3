"""Fields for what people enter about production: abrasive, area, jobs, stops, money."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from analytics.sections import counted
from dashboard import entry_drafts, key_words, sheet_words, units, words
from ingest.errors import RecordRefused
from ingest.production_bodies import ACCESS_WORDS, MOVE_WORDS, PRICE_WORDS
from ingest.stop_reasons import STOP_REASONS

Body = dict[str, Any]

#: Fields without which an entry cannot be.
REQUIRED: dict[str, tuple[str, ...]] = {
    "abrasive": ("pot", "bags", "bag_kg"),
    "area": ("job", "shift", "pot"),
    "job": ("job",),
    "stop_reason": ("pot", "from_at", "to_at", "stop_for"),
    "job_change": ("shift", "job", "from_at"),
    "abrasive_move": ("abrasive", "move", "kg"),
    "abrasive_kind": ("abrasive",),
    "fuel": ("shift", "litres"),
    "price": ("price_of", "price", "from_at"),
}

_GOES = {"waste": "to waste", "reuse": "back into stock, to be used again"}
_PLATE = re.compile(r"plate ([\d.]+) x ([\d.]+) m, (one side|both sides)")


class ProductionFields:
    """The fields; a part of ``dashboard.entry``, which has the widgets that they are made of."""

    _names: Mapping[str, Sequence[str]]
    _values: Mapping[str, Any]
    _key: str
    _form: entry_drafts.Form
    _text: Callable[..., str]
    _number: Callable[..., float | None]
    _quantity: Callable[..., float | None]
    _choice: Callable[..., str | None]
    _pot: Callable[[], str | None]
    _pots: Callable[[], Sequence[str]]
    _when: Callable[..., dt.datetime | None]

    def _yes(self, name: str, label: str) -> bool:
        begin = self._form.tick(name, bool(self._values.get(name)))
        return st.toggle(label, begin, key=f"{self._key}-{name}")

    def _worded(self, name: str, label: str, choices: Mapping[str, str]) -> str | None:
        """One of a few, as large buttons; none chosen at first."""

        def called(key: str) -> str:
            return words.sentence(choices[key])

        begin = self._form.choice(name, list(choices), self._values.get(name) or None, called)
        return st.segmented_control(
            label, list(choices), default=begin, wrap=True, format_func=called,
            key=f"{self._key}-{name}",
        )  # fmt: skip

    def _abrasive(self) -> Body:
        return {
            "pot": self._pot(),
            "bags": self._number("bags", "Bags", 1.0),
            "bag_kg": self._quantity("bag_kg", "A bag holds", "mass", 25.0),
            "abrasive": self._choice(
                "abrasive", "Abrasive", self._names["abrasive"], may_be_none=True, may_be_new=True
            ),
            "at": self._when("at", "When tipped"),
            "batch": self._text("batch", "Batch, as the bags say"),
            "shift": self._choice(
                "shift", "Shift, empty: the one at that time", self._names["shift"],
                self._values.get("shift", ""), may_be_none=True,
            ) if "shift" in self._values else "",
        }  # fmt: skip

    def _area(self) -> Body:
        typed = self._quantity("area_m2", "Area done", "area")
        lines = st.text_area(
            "Or pieces, one kind a line: 12, IPE 200, 6",
            self._form.text("pieces", _as_lines(self._values.get("pieces") or [])),
            key=f"{self._key}-pieces", height=80,
            help="Count, section, length in m; of plates count, plate, length, width, sides (1 or "
            "2). Also UPN 200, L 100x100x10, pipe 168.3, tube 100x60x4. Where pieces are counted, "
            "the area above does not matter.",
        )  # fmt: skip
        return {
            "area_m2": None if lines.strip() else typed,
            "piece_lines": lines,
            "pot": self._pot(),
            "shift": self._choice("shift", "Shift", self._names["shift"]),
            "job": self._choice("job", "Job", self._names["job"]),
            "at": self._when("at", "When finished"),
            "reblast": self._yes("reblast", "Done over again: it was counted before"),
            "note": self._text("note", "Note"),
        }

    def _job(self) -> Body:
        return {
            "job": st.text_input(
                "Name of the job", self._form.text("job", self._values.get("job", "")),
                key=f"{self._key}-job", max_chars=80,
            ),
            "item": self._text("item", "What is blasted"),
            "rust_grade": self._choice(
                "rust_grade", "Rust grade (ISO 8501-1)", ["A", "B", "C", "D", "coated"],
                may_be_none=True,
            ),
            "prep_grade": self._choice(
                "prep_grade", "Preparation grade (ISO 8501-1)", ["Sa 1", "Sa 2", "Sa 2½", "Sa 3"],
                may_be_none=True,
            ),
            "planned_m2": self._quantity("planned_m2", "Area expected", "area"),
            "access": self._choice(
                "access", "How the steel is reached", list(ACCESS_WORDS),
                called=ACCESS_WORDS.__getitem__, may_be_none=True,
            ),
            "place": self._choice(
                "place", "Indoors or outdoors", ["indoor", "outdoor"], may_be_none=True
            ),
            "profile": self._choice(
                "profile", "Profile (ISO 8503-1)", ["fine", "medium", "coarse"], may_be_none=True
            ),
            "profile_low_um": self._quantity("profile_low_um", "Profile from", "film"),
            "profile_high_um": self._quantity("profile_high_um", "Profile to", "film"),
            "coating": self._text("coating", "Old coating that comes off"),
            "coating_um": self._quantity("coating_um", "How thick it is", "film"),
        }  # fmt: skip

    def _stop_reason(self) -> Body:
        reasons = {key: known.words for key, known in STOP_REASONS.items()}
        return {
            "stop_for": self._worded("stop_for", "Stopped for", reasons),
            "pot": self._pot(),
            "from_at": self._when("from_at", "From", empty_is_now=False),
            "to_at": self._when("to_at", "To", empty_is_now=False),
            "note": self._text("note", "Note"),
        }

    def _job_change(self) -> Body:
        return {
            "shift": self._choice("shift", "Shift", self._names["shift"]),
            "job": self._choice("job", "Went on with the job", self._names["job"]),
            "from_at": self._when("from_at", "From", empty_is_now=False),
            "note": self._text("note", "Note"),
        }

    def _abrasive_move(self) -> Body:
        return {
            "move": self._worded("move", "What happened", MOVE_WORDS),
            "abrasive": self._choice(
                "abrasive", "Abrasive", self._names["abrasive"], may_be_new=True
            ),
            "kg": self._quantity("kg", "How much", "mass"),
            "goes": self._worded("goes", "What was swept up goes", _GOES) or "",
            "pot": self._choice(
                "pot", "Pot, where it was taken back out of one", self._pots(), "",
                may_be_none=True,
            ),
            "batch": self._text("batch", "Batch"),
            "at": self._when("at", "When"),
            "note": self._text("note", "Note"),
        }  # fmt: skip

    def _abrasive_kind(self) -> Body:
        return {
            "abrasive": st.text_input(
                "Name, as it will be chosen for bags",
                self._form.text("abrasive", self._values.get("abrasive", "")),
                key=f"{self._key}-abrasive", max_chars=80,
            ),
            "price_kg": self._price_of_one("price_kg", "mass"),
            "reorder_kg": self._quantity("reorder_kg", "Order more at or under", "mass"),
            "bag_kg": self._quantity("bag_kg", "A bag holds", "mass"),
            "bulk_kg_m3": self._quantity("bulk_kg_m3", "Density as it lies", "density"),
            "particle_kg_m3": self._quantity("particle_kg_m3", "Density of the grains", "density"),
            "recycled": self._yes("recycled", "Used before and cleaned"),
            "note": self._text("note", "Note"),
        }  # fmt: skip

    def _price_of_one(self, name: str, quantity: str) -> float | None:
        """A price typed for one of the viewer's unit, as the record keeps it: for one in SI."""
        chosen = units.current()
        si = units.factor(quantity) if quantity else 1.0
        field = name if chosen is units.METRIC else f"{name}-{chosen.name}"
        kept = self._values.get(name)
        was = key_words.PRICED_QUANTITIES.get(self._values.get("price_of") or "", "")
        kept_si = units.factor(was) if was else si
        unit = f" of a {units.unit(quantity)}" if name == "price_kg" else ""
        typed = st.number_input(
            f"Price{unit}, in the site's currency", min_value=0.0, step=0.05, format="%g",
            value=self._form.number(
                field, None if kept is None else float(f"{kept * kept_si:.9g}")
            ),
            key=f"{self._key}-{field}",
        )  # fmt: skip
        return None if typed is None else float(typed) / si

    def _fuel(self) -> Body:
        return {
            "litres": self._quantity("litres", "Fuel", "fuel"),
            "shift": self._choice("shift", "Shift", self._names["shift"]),
            "at": self._when("at", "When filled"),
            "note": self._text("note", "Note"),
        }

    def _price(self) -> Body:
        return {
            "price_of": (of := self._worded(
                "price_of", "Price of", {key: key_words.price_of(key) for key in PRICE_WORDS}
            )),
            "price": self._price_of_one("price", key_words.PRICED_QUANTITIES.get(of or "", "")),
            "from_at": self._when("from_at", "From when on", empty_is_now=False),
            "crew": self._choice(
                "crew", "Crew, empty: everybody's wage", self._names["crew"], "",
                may_be_none=True,
            ),
            "note": self._text("note", "Note"),
        }  # fmt: skip


def _as_lines(pieces: Sequence[Mapping[str, Any]]) -> str:
    lines = []
    for piece in pieces:
        if plate := _PLATE.fullmatch(piece["piece"]):
            sides = 1 if plate[3] == "one side" else 2
            lines.append(f"{piece['count']}, plate, {plate[1]}, {plate[2]}, {sides}")
        else:
            lines.append(f"{piece['count']}, {piece['piece']}, {piece['length_m']:g}")
    return "\n".join(lines)


def finished(body: Mapping[str, Any]) -> Body:
    """A body as it is entered: lines of pieces as pieces with their area.

    Raises
    ------
    RecordRefused
        A line of pieces cannot be read.
    """
    made = {name: value for name, value in body.items() if name != "piece_lines"}
    pieces = []
    for line in str(body.get("piece_lines", "")).splitlines():
        if not line.strip():
            continue
        try:
            found = counted(line)
        except ValueError as error:
            raise RecordRefused(
                f"The area done was not taken: {error}.", "Nothing was saved; mend that line."
            ) from error
        pieces.append(
            {
                "piece": found.piece, "count": found.count, "each_m2": found.each_m2,
                "length_m": found.length_m,
            }
        )  # fmt: skip
    return made | ({"pieces": pieces} if pieces else {})


def sentence(kind: str, body: Mapping[str, Any]) -> str | None:
    """An entry about production in one line; ``None`` for other kinds."""

    def number(name: str) -> str:
        return words.plain_number(float(body[name]))

    if kind == "abrasive":
        what = f" of {body['abrasive']}" if body.get("abrasive") else ""
        bags = "bag" if body["bags"] == 1 else "bags"
        each = words.typed("mass", body["bag_kg"])
        return f"{number('bags')} {bags}{what}, {each} each, {body['pot']}"
    if kind == "area":
        again = ", done over again" if body.get("reblast") else ""
        done = words.typed("area", round(float(body["area_m2"]), 2)) if body.get("area_m2") else ""
        many = f" of {len(body['pieces'])} kinds of pieces" if body.get("pieces") else ""
        said = f"{done}{many}" if done else "pieces"
        return f"{said}{again}, {body['job']}, {body['pot']}, shift {body['shift']}"
    if kind == "job":
        keys = ("job", "item", "rust_grade", "prep_grade")
        return ", ".join(str(body[k]) for k in keys if body.get(k))
    if kind == "stop_reason":
        return f"{STOP_REASONS[body['stop_for']].words}, {body['pot']}"
    if kind == "job_change":
        return f"{body['shift']} went on with {body['job']}"
    if kind == "abrasive_move":
        goes = f" {_GOES[body['goes']]}" if body.get("goes") else ""
        pot = f", {body['pot']}" if body.get("pot") else ""
        much = words.typed("mass", body["kg"])
        return f"{much} {body['abrasive']} {MOVE_WORDS[body['move']]}{goes}{pot}"
    if kind == "abrasive_kind":
        price = ""
        if body.get("price_kg") is not None:
            price = f", {words.price('mass', body['price_kg'])} a {units.unit('mass')}"
        return f"{body['abrasive']}{price}"
    if kind == "fuel":
        return f"{words.typed('fuel', body['litres'])}, shift {body['shift']}"
    if kind == "price":
        crew = f" of {body['crew']}" if body.get("crew") else ""
        quantity = key_words.PRICED_QUANTITIES.get(body["price_of"])
        price = words.price(quantity, body["price"]) if quantity else f"{body['price']:g}"
        return f"{key_words.price_of(body['price_of'])}{crew}: {price}"
    if kind == "signature":
        return f"sheet of {body['shift']}"
    return None


def cell(name: str, value: object) -> str | None:
    """A value of a production record as a table shows it; ``None``: as any other."""
    if name == "stop_for" and isinstance(value, str) and value:
        return sheet_words.part(value)
    if name == "pieces" and isinstance(value, list):
        return "; ".join(
            f"{p['count']} x {p['piece']} of {words.typed('area', round(p['each_m2'], 2))}"
            for p in value
        )
    if name in ("reblast", "recycled"):
        return "yes" if value else "no"
    if name == "move" and isinstance(value, str) and value:
        return MOVE_WORDS[value]
    return None
