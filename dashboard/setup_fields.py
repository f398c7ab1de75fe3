"""The fields of the yard file's tables, as the page for setting up asks for them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

import streamlit as st

from dashboard import entry_drafts, key_words, units
from ingest.channels import CHANNELS
from ingest.parts import PART_WORDS, RULE_INDICATORS
from ingest.yard_edit import AddTable, Edit, Path, SetKey
from ingest.yard_pots import PRESSURE_CHANNELS

Kind = Literal["text", "number", "whole", "yes", "one", "several", "range", "when"]


class Field(NamedTuple):
    """A key of a table.

    Parameters
    ----------
    key, label : str
        Key in the file, and what people call it.
    kind : str
        How it is typed.
    quantity : str
        Of :mod:`dashboard.units`, where it is in a unit; empty: as it stands in the file.
    decimals : int
        Decimals in SI that a value typed in another unit is kept with.
    options : sequence of str
        Of ``one`` and ``several``.
    fixed : bool
        Readings and records hang on it: it is given once, and not changed here.
    """

    key: str
    label: str
    kind: Kind = "text"
    quantity: str = ""
    decimals: int = 6
    options: Sequence[str] = ()
    fixed: bool = False


SITE = (
    Field("title", "What people call the yard"),
    Field("time_zone", "Time zone, such as Europe/Berlin"),
    Field("currency", "Currency of prices, such as EUR"),
)
REVIEW = (
    Field("stop_s", "Nobody blasting for this long is a stop [s]", "number"),
    Field("refill_most_s", "A refill takes up to [s]", "number"),
    Field("nozzle_target_pa", "Pressure wanted at the nozzle", "number", "pressure", 0),
    Field("supply_target_pa", "Manifold under which people wait for air", "number", "pressure", 0),
)
DERIVE = (
    Field("release_debounce_s", "A release shorter than this is chatter [s]", "number"),
    Field("press_debounce_s", "A press shorter than this is chatter [s]", "number"),
    Field("pressurised_on", "Share of manifold pressure from which the pot blasts", "number"),
    Field("pressurised_off", "Share under which it no longer does", "number"),
    Field("pressurised_pa", "The same without a manifold channel: from", "number", "pressure", 0),
    Field("unpressurised_pa", "And under", "number", "pressure", 0),
    Field("align_s", "Channels this far apart count as one instant [s]", "number"),
    Field("quiet_s", "Dead-man shut for this long: what came before is complete [s]", "number"),
    Field("count_silence_outside_shifts", "Count silence outside booked shifts", "yes"),
)
POT = (
    Field("name", "Name on the wire; stays for ever", fixed=True),
    Field("title", "What people call it"),
    Field("volume_m3", "Inner volume", "number", "volume"),
    Field("plate_pa", "Highest working pressure, as on the plate", "number", "pressure", 0),
    Field("nozzle_bore_m", "Bore of the nozzle as bought", "number", "bore"),
)
TRANSDUCER = (
    Field("pot", "Pot", "one", fixed=True),
    Field("channel", "Channel", "one", options=PRESSURE_CHANNELS, fixed=True),
    Field("unit", "The box sends", "one", options=("Pa", "mA")),
    Field("range_pa", "Range", "range", "pressure", 0),
    Field("tag", "Tag stamped on it"),
)
BOX = (
    Field("name", "Name; stays for ever", fixed=True),
    Field("pot", "Pot that it sits on", "one"),
    Field("source", "How it sends", "one", options=("mqtt", "serial", "modbus")),
    Field("rate_hz", "Samples a second", "number"),
    Field("gap_s", "Nothing heard for longer is a gap [s]", "number"),
    Field("channels", "What it measures", "several", options=tuple(CHANNELS)),
)
RULE = (
    Field("part", "Part", "one", options=tuple(PART_WORDS)),
    Field("name", "Name of the check; empty: the part's main one"),
    Field("pots", "Only on these pots; none: everywhere", "several"),
    Field("what", "What is checked; empty: as usual"),
    Field("task", "Task", "one", options=("check", "replace")),
    Field("every_blast_h", "Every blast hours [h]", "number"),
    Field("every_cycles", "Every pinch cycles", "whole"),
    Field("every_days", "Every days", "number"),
    Field("indicator", "By condition: indicator", "one", options=("", *RULE_INDICATORS)),
    Field("level", "Level, 1: the change that is worth telling", "number"),
    Field("source", "What it rests on"),
    Field("reason", "If looser than the default: why"),
    Field("by", "If looser than the default: who decided"),
)


def draw(
    fields: Sequence[Field],
    standing: Mapping[str, Any],
    form: entry_drafts.Form,
    pots: Sequence[str],
    defaults: Mapping[str, Any],
    is_new: bool,
) -> dict[str, Any]:
    """Draw fields, and give what is in them as the file would hold it; ``None``: left empty.

    Parameters
    ----------
    fields : sequence of Field
        What to ask for.
    standing : mapping
        The table as it stands in the file; empty for another one.
    form : Form
        The form that they are in.
    pots : sequence of str
        Names of the pots, for fields that name one.
    defaults : mapping
        What holds where a key is left out.
    is_new : bool
        Whether fixed keys can be typed.
    """
    typed = {}
    for field in fields:
        if field.fixed and not is_new:
            continue
        options = field.options or pots
        typed[field.key] = _Drawer(field, form, options, defaults.get(field.key)).draw(
            standing.get(field.key)
        )
    return typed


class _Drawer:
    def __init__(
        self, field: Field, form: entry_drafts.Form, options: Sequence[str], default: Any
    ) -> None:
        self._field, self._form, self._options, self._default = field, form, options, default
        self._key = f"{form.key}-{field.key}"
        unit = f" [{units.unit(field.quantity)}]" if field.quantity else ""
        self._label = field.label + unit

    def draw(self, begin: Any) -> Any:
        field = self._field
        if field.kind == "text":
            said = self._form.text(field.key, str(begin or ""))
            return st.text_input(
                self._label, said, key=self._key, max_chars=500,
                placeholder=str(self._default or ""),
            ).strip() or None  # fmt: skip
        if field.kind in ("number", "whole"):
            return self._number(field.key, self._label, begin, self._default)
        if field.kind == "yes":
            is_on = self._form.tick(field.key, bool(self._default if begin is None else begin))
            return st.toggle(self._label, is_on, key=self._key)
        if field.kind == "one":
            wanted = self._form.choice(
                field.key, self._options, self._default if begin is None else begin, self._called
            )
            index = self._options.index(wanted) if wanted in self._options else None
            chosen = st.selectbox(
                self._label, self._options, index=index, key=self._key, format_func=self._called
            )
            return chosen or None
        if field.kind == "several":
            wanted = [one for one in begin or [] if one in self._options]
            chosen_ones = st.multiselect(
                self._label, self._options, key=self._key,
                default=self._form.choices(field.key, self._options, wanted, str),
            )  # fmt: skip
            return chosen_ones or None
        low, high = begin or (None, None)
        left, right = st.columns(2)
        with left:
            low = self._number("low", f"{self._label}: lower end", low, None)
        with right:
            high = self._number("high", "Upper end", high, None)
        return None if low is None or high is None else [low, high]

    def _number(self, name: str, label: str, begin: Any, default: Any) -> float | int | None:
        field, key = self._field, f"{self._form.key}-{name}"
        if name in ("low", "high"):
            key = f"{self._form.key}-{field.key}-{name}"
            name = f"{field.key}-{name}"
        shown = begin if begin is None or not field.quantity else units.typed(field.quantity, begin)
        usual = default if default is None or not field.quantity else units.typed(
            field.quantity, default
        )  # fmt: skip
        value = st.number_input(
            label, value=_float(self._form.number(name, shown)), key=key, format="%g", step=None,
            placeholder="" if usual is None else f"{usual:g}",
        )  # fmt: skip
        if value is None:
            return None
        if value == shown:
            return begin  # type: ignore[no-any-return]
        if field.kind == "whole":
            return int(value)
        if field.quantity:
            return round(units.stored(field.quantity, value), field.decimals)
        return float(value)

    def _called(self, option: str) -> str:
        if option in PART_WORDS:
            return key_words.part(option)
        return option or "none"


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def edits(
    table: Path, standing: Mapping[str, Any], typed: Mapping[str, Any], defaults: Mapping[str, Any]
) -> list[Edit]:
    """What makes a table say what was typed; what did not change is left alone.

    A key that is not in the file and was left at its default stays out of it.
    """
    made: list[Edit] = []
    for key, value in typed.items():
        if key not in standing and value in (None, defaults.get(key)):
            continue
        if value is None or (value == "" and key in standing):
            made.append(SetKey(table, key, None))
        elif standing.get(key) != value or isinstance(standing.get(key), bool) != isinstance(
            value, bool
        ):
            made.append(SetKey(table, key, value))
    return made


def another(array: Path, typed: Mapping[str, Any], defaults: Mapping[str, Any]) -> list[Edit]:
    """What adds a table with what was typed, leaving out what is at its default."""
    given = {k: v for k, v in typed.items() if v is not None and v != defaults.get(k)}
    return [AddTable(array, given)]


def two_points(
    points: Sequence[tuple[float | None, float | None]],
) -> tuple[float, float] | None:
    """Offset [Pa] and gain through two pairs of read and true [Pa]; ``None``: not two of them.

    Examples
    --------
    >>> offset_pa, gain = two_points([(1200.0, 0.0), (699_800.0, 700_000.0)])
    >>> round(offset_pa, 6), round(gain, 6)
    (1200.0, 1.002004)
    """
    given = [(read, true) for read, true in points if read is not None and true is not None]
    if len(given) != 2 or given[0][0] == given[1][0]:
        return None
    (read, true), (read_other, true_other) = given
    gain = (true_other - true) / (read_other - read)
    return (read - true / gain, gain) if gain else None


def from_midnight(day: dt.date, at: dt.time | None) -> dt.date | dt.datetime:
    """A calibration's begin as the file holds it: a date, or a date with its time."""
    return dt.datetime.combine(day, at) if at is not None and at != dt.time() else day
