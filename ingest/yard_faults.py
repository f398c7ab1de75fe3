"""What is wrong in a yard file, said so that it can be mended.

Each fault names the key, the value, what was expected and the line. Checks that span several
tables work on the raw values, so that they are reported beside the faults of single keys.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.errors import YardFileError
from ingest.instants import utc_instant

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from pydantic_core import ErrorDetails

KeyPath = tuple[str | int, ...]

#: Tables that may stand several times, and what their entries are called by.
_NAMED = {
    "pot": "name", "box": "name", "serial": "port", "modbus": "port", "rule": "part",
    "part": "part",
}  # fmt: skip

# Smallest and largest believable values of quantities that people type in the wrong unit.
PRESSURE_PA = (200_000.0, 2_500_000.0)
VOLUME_M3 = (0.005, 5.0)

_PSI_PA, _CUBIC_FOOT_M3 = 6894.757, 0.028316846592


class Fault(NamedTuple):
    """One thing that is wrong in a yard file.

    Parameters
    ----------
    key : str
        Where it stands, such as ``pot[2].plate_pa``; list positions are counted from 1.
    value : str
        What stands there, as TOML would write it; empty for a key that is missing.
    expected : str
        What was expected instead.
    line : int or None
        Line in the file, counted from 1.
    """

    key: str
    value: str
    expected: str
    line: int | None

    def sentence(self) -> str:
        """The fault in one line."""
        where = f"line {self.line}: " if self.line is not None else ""
        shown = f"{self.key} = {self.value}" if self.value else self.key
        return f"{where}{shown}: {self.expected}"


class YardFaults(YardFileError):
    """The yard file has faults; all of them are in ``faults``.

    Parameters
    ----------
    name : str
        Name of the file, as the person knows it.
    faults : sequence of Fault
        In the order in which they stand in the file.
    """

    def __init__(self, name: str, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        lines = "".join(f"\n  {fault.sentence()}" for fault in faults)
        super().__init__(
            f"{name} has {count}:{lines}",
            "Mend the file and run `gritbook check`; `gritbook init` writes an example.",
        )

    def __str__(self) -> str:
        return f"{self.what}\n{self.next_step}"


class RawFault(NamedTuple):
    """A fault that has not been placed in the text yet."""

    path: KeyPath
    value: object
    expected: str


#: Stands for the value of a key that is missing.
MISSING = object()


def placed(text: str, raw: Mapping[str, Any], faults: Iterable[RawFault]) -> list[Fault]:
    """Give each fault its line and its printable key and value, in the order of the file."""
    from ingest.toml_lines import line_of

    seen: dict[KeyPath, Fault] = {}
    for fault in faults:
        if fault.path in seen:
            continue
        seen[fault.path] = Fault(
            _key(raw, fault.path),
            "" if fault.value is MISSING else shown(fault.value),
            fault.expected,
            line_of(text, fault.path),
        )
    return sorted(seen.values(), key=lambda fault: fault.line or 0)


def _key(raw: Mapping[str, Any], path: KeyPath) -> str:
    """``pot[2].plate_pa``, with the entry's own name where it has one: ``pot "north".plate_pa``."""
    words = ""
    value: Any = raw
    for position, step in enumerate(path):
        if isinstance(step, int):
            value = value[step] if isinstance(value, list) and step < len(value) else None
            name_key = _NAMED.get(str(path[position - 1]), "")
            name = value.get(name_key) if isinstance(value, dict) else None
            words += f' "{name}"' if isinstance(name, str) and name else f"[{step + 1}]"
        else:
            value = value.get(step) if isinstance(value, dict) else None
            words += f".{step}" if words else step
    return words


def shown(value: object) -> str:
    """A value as the file writes it, shortened."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "{…}"
    elif isinstance(value, (list, tuple)):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif hasattr(value, "isoformat"):
        text = str(value.isoformat())
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


# --- faults of single keys -------------------------------------------------------------------

_EXPECTED = {
    "string_type": "expected text in quotes",
    "string_too_short": "expected some text",
    "string_too_long": "this text is too long",
    "string_pattern_mismatch": "expected a single line",
    "float_parsing": "expected a number",
    "int_parsing": "expected a whole number",
    "int_type": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "bool_type": "expected true or false",
    "finite_number": "expected a finite number",
    "missing": "this key is missing",
    "list_type": "expected a list in square brackets",
    "tuple_type": "expected a list in square brackets",
    "model_type": "expected a table",
    "dict_type": "expected a table",
}


def from_pydantic(
    errors: Sequence[ErrorDetails], keys_of: Mapping[KeyPath, Sequence[str]]
) -> Iterator[RawFault]:
    """Translate pydantic's findings.

    Parameters
    ----------
    errors : sequence of ErrorDetails
        From ``ValidationError.errors()``.
    keys_of : mapping
        For each table, its path without list positions -> the keys it may have; used to suggest.
    """
    for error in errors:
        path: KeyPath = tuple(error["loc"])
        kind, context = error["type"], error.get("ctx", {})
        value: object = error.get("input")
        if kind == "extra_forbidden":
            table = tuple(step for step in path[:-1] if isinstance(step, str))
            allowed = keys_of.get(table, ())
            expected = f"there is no such key{_close(str(path[-1]), allowed)}"
        elif kind in ("missing", "missing_argument"):
            value = MISSING
            expected = _EXPECTED["missing"]
            if path in (("site",), ("pot",)):
                header = "[site]" if path == ("site",) else "[[pot]]"
                expected = f"the file needs a {header} table"
        elif kind == "value_error":
            expected = str(context.get("error", error["msg"]))
            if isinstance(value, dict):
                value = MISSING  # a fault of the table as a whole
        elif kind == "literal_error":
            expected = f"expected one of {context.get('expected', '')}"
        elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
            words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
            bound = next(iter(context.items()))
            expected = f"expected a number {words[bound[0]]} {bound[1]}"
        elif kind == "too_short":
            if value:
                continue  # pydantic counts only the good entries; the bad ones are reported already
            expected = "expected at least one entry"
        else:
            expected = _EXPECTED.get(kind, error["msg"])
        yield RawFault(path, value, expected)


def _close(word: str, allowed: Iterable[str]) -> str:
    allowed = list(allowed)
    matches = difflib.get_close_matches(word, allowed, n=1, cutoff=0.6)
    if matches:
        return f"; did you mean {matches[0]}?"
    return f"; known keys here: {', '.join(sorted(allowed))}" if allowed else ""


def suggestion(word: str, allowed: Iterable[str]) -> str:
    """``; did you mean "north"?``, or the names there are, to put after a sentence."""
    names = sorted(allowed)
    matches = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if matches:
        return f'; did you mean "{matches[0]}"?'
    return f"; there is {', '.join(names)}" if names else ""


def ended(sentence: str) -> str:
    """A sentence with its full stop, unless it is a question."""
    return sentence if sentence.endswith("?") else f"{sentence}."


def pressure_hint(pressure: float) -> str | None:
    """What to write instead, where a pressure limit is not believable in Pa; else ``None``.

    Examples
    --------
    >>> pressure_hint(10.3)
    'that looks like bar; write 1030000'
    >>> pressure_hint(125)
    'that looks like psi; write 862000'
    >>> pressure_hint(862000.0) is None
    True
    """
    if PRESSURE_PA[0] <= pressure <= PRESSURE_PA[1]:
        return None
    for low, high, unit, factor in (
        (0.2, 2.5, "MPa", 1e6),
        (2.5, 25.0, "bar", 1e5),
        (25.0, 360.0, "psi", _PSI_PA),
        (360.0, 2_500.0, "kPa", 1e3),
        (2_500.0, 25_000.0, "hPa", 1e2),
    ):
        if low <= pressure < high:
            return f"that looks like {unit}; write {round(pressure * factor, -3):.0f}"
    return f"expected a gauge pressure in Pa, {PRESSURE_PA[0]:.0f} to {PRESSURE_PA[1]:.0f}"


def volume_hint(volume: float) -> str | None:
    """What to write instead, where a pot's volume is not believable in m³; else ``None``.

    Examples
    --------
    >>> volume_hint(6.5)
    'that looks like cubic feet; write 0.184'
    >>> volume_hint(184)
    'that looks like litres; write 0.184'
    """
    if VOLUME_M3[0] <= volume <= VOLUME_M3[1]:
        return None
    if VOLUME_M3[1] < volume < 20.0:
        return f"that looks like cubic feet; write {volume * _CUBIC_FOOT_M3:.3f}"
    if 20.0 <= volume <= 5_000.0:
        return f"that looks like litres; write {volume / 1000.0:.3f}"
    return f"expected a volume in m3, {VOLUME_M3[0]} to {VOLUME_M3[1]}"


# --- faults that span tables -----------------------------------------------------------------


def across_tables(raw: Mapping[str, Any], zone: ZoneInfo | None) -> Iterator[RawFault]:
    """Faults between tables: names that do not meet, doubles, dates out of order.

    Parameters
    ----------
    raw : mapping
        The file's values, of any shape: what is not of the right type is passed over here.
    zone : ZoneInfo or None
        The site's zone; ``None`` where the file names none that exists.
    """
    pots = [pot["name"] for _, pot in _tables(raw, "pot") if isinstance(pot.get("name"), str)]
    yield from _doubles(raw, "pot", ("name",))
    yield from _doubles(raw, "box", ("name",))
    yield from _doubles(raw, "transducer", ("pot", "channel"))
    yield from _doubles(raw, "serial", ("port",))
    yield from _rules(raw, pots)
    for table in ("box", "transducer"):
        for index, entry in _tables(raw, table):
            if pots and isinstance(name := entry.get("pot"), str) and name not in pots:
                yield RawFault((table, index, "pot"), name, _no_pot(name, pots))
    for index, line in _tables(raw, "serial"):
        names = line.get("pots")
        for position, name in enumerate(names if isinstance(names, list) else ()):
            if pots and isinstance(name, str) and name not in pots:
                yield RawFault(("serial", index, "pots", position), name, _no_pot(name, pots))
    yield from _modbus(raw, pots)
    yield from _sources(raw)
    yield from _notices(raw, pots)
    for index, transducer in _tables(raw, "transducer"):
        yield from _calibrations(index, transducer, zone)


def _rules(raw: Mapping[str, Any], pots: Sequence[str]) -> Iterator[RawFault]:
    """Faults of rules: pots that are not there, and two that hold at the same place."""
    seen: list[tuple[object, set[object], set[object]]] = []
    for index, rule in _tables(raw, "rule"):
        where: list[set[object]] = []
        for key in ("pots", "positions"):
            listed = rule.get(key)
            where.append(set(map(str, listed)) if isinstance(listed, list) else set())
        for place, pot in enumerate(rule["pots"] if isinstance(rule.get("pots"), list) else ()):
            if pots and isinstance(pot, str) and pot not in pots:
                yield RawFault(("rule", index, "pots", place), pot, _no_pot(pot, pots))
        name = rule.get("name", rule.get("part"))
        for other, *there in seen:
            if other == name and all(
                bool(a) == bool(b) and (not a or a & b) for a, b in zip(where, there, strict=True)
            ):
                words = "another [[rule]] of the same part and name holds at the same place"
                yield RawFault(("rule", index, "part"), rule.get("part"), words)
                break
        seen.append((name, where[0], where[1]))


def _no_pot(name: str, pots: Sequence[str]) -> str:
    return f"there is no pot of that name{suggestion(name, pots)}"


def _tables(raw: Mapping[str, Any], key: str) -> list[tuple[int, dict[str, Any]]]:
    found = raw.get(key)
    if not isinstance(found, list):
        return []
    return [(index, entry) for index, entry in enumerate(found) if isinstance(entry, dict)]


def _doubles(raw: Mapping[str, Any], table: str, keys: tuple[str, ...]) -> Iterator[RawFault]:
    seen: set[tuple[str, ...]] = set()
    for index, entry in _tables(raw, table):
        values = tuple(value for key in keys if isinstance(value := entry.get(key), str))
        if len(values) < len(keys):
            continue
        if values in seen:
            words = f"another [[{table}]] has the same {' and '.join(keys)}"
            yield RawFault((table, index, keys[-1]), values[-1], words)
        seen.add(values)


def _notices(raw: Mapping[str, Any], pots: list[str]) -> Iterator[RawFault]:
    table = raw.get("notices")
    if not isinstance(table, dict):
        return
    if table.get("mqtt") is True and "mqtt" not in raw:
        what = "the file has no [mqtt] table that says which broker"
        yield RawFault(("notices", "mqtt"), True, what)
    for index, channel in _tables(table, "channel"):
        names = channel.get("pots")
        for position, name in enumerate(names if isinstance(names, list) else ()):
            if pots and isinstance(name, str) and name not in pots:
                path = ("notices", "channel", index, "pots", position)
                yield RawFault(path, name, _no_pot(name, pots))


def _sources(raw: Mapping[str, Any]) -> Iterator[RawFault]:
    lines = _tables(raw, "serial")
    listed = [line.get("pots") for _, line in lines]
    for index, box in _tables(raw, "box"):
        path = ("box", index, "source")
        source = box.get("source", "mqtt")
        if source == "mqtt" and "mqtt" not in raw:
            yield RawFault(path, source, "the file has no [mqtt] table that says which broker")
        if source == "modbus" and not any(
            register.get("pot") == box.get("pot")
            for _, line in _tables(raw, "modbus")
            for _, unit in _tables(line, "unit")
            for _, register in _tables(unit, "register")
        ):
            words = f"no [[modbus]] register names the pot {shown(box.get('pot'))}"
            yield RawFault(path, source, words)
        if source != "serial":
            continue
        if not lines:
            yield RawFault(path, source, "the file has no [[serial]] table that says which port")
        # A line without a list of pots may carry any of them.
        elif all(isinstance(pots, list) and pots for pots in listed) and not any(
            box.get("pot") in pots for pots in listed if isinstance(pots, list)
        ):
            words = f"no [[serial]] line lists the pot {shown(box.get('pot'))}"
            yield RawFault(path, source, words)


def _modbus(raw: Mapping[str, Any], pots: Sequence[str]) -> Iterator[RawFault]:
    """Faults of Modbus lines: pots that are not there, and what stands twice."""
    ports = [line.get("port") for _, line in _tables(raw, "serial")]
    seen: set[tuple[str, str]] = set()
    for index, line in _tables(raw, "modbus"):
        if line.get("port") in ports:
            words = "a [[serial]] line has the same port; a line carries boxes or Modbus, not both"
            yield RawFault(("modbus", index, "port"), line.get("port"), words)
        ports.append(line.get("port"))
        addresses: list[object] = []
        for place, unit in _tables(line, "unit"):
            path: KeyPath = ("modbus", index, "unit", place)
            if unit.get("unit") in addresses:
                words = "another unit of this line has the same address"
                yield RawFault((*path, "unit"), unit.get("unit"), words)
            addresses.append(unit.get("unit"))
            for position, register in _tables(unit, "register"):
                pot, channel = register.get("pot"), register.get("channel")
                if not (isinstance(pot, str) and isinstance(channel, str)):
                    continue  # reported with the key itself
                at: KeyPath = (*path, "register", position)
                if pots and pot not in pots:
                    yield RawFault((*at, "pot"), pot, _no_pot(pot, pots))
                if (pot, channel) in seen:
                    words = "another Modbus register has the same pot and channel"
                    yield RawFault((*at, "channel"), channel, words)
                seen.add((pot, channel))


def _calibrations(
    index: int, transducer: Mapping[str, Any], zone: ZoneInfo | None
) -> Iterator[RawFault]:
    calibrations = transducer.get("calibration")
    if not isinstance(calibrations, list) or zone is None:
        return
    before = None
    for position, calibration in enumerate(calibrations):
        if not isinstance(calibration, dict) or "from_at" not in calibration:
            continue
        try:
            from_at = utc_instant(calibration["from_at"], zone)
        except ValueError:
            continue  # reported with the key itself
        if before is not None and from_at <= before:
            yield RawFault(
                ("transducer", index, "calibration", position, "from_at"),
                calibration["from_at"],
                "calibrations must stand in the order of their dates, each later than the last",
            )
        before = from_at


SYNTAX_LINE = re.compile(
    r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column \d+|end of document)\)$"
)
