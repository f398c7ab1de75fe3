"""SenML packs as RFC 8428 has them: records with their base fields applied, and their JSON.

Knows nothing of pots and channels; :mod:`ingest.wire.senml` does. Takes a pack record by record,
so that one bad record costs only itself. :mod:`ingest.wire.cbor` reads the same records from CBOR.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeVar

import msgspec

from ingest.readings import Reject
from ingest.wire import reasons

#: A pack of one minute at 50 instants a second and eight channels is about 0.9 MB. [bytes]
MAX_MESSAGE_BYTES = 1 << 20
MAX_RECORDS = 50_000
#: Names and units of this length are remembered, so they are bounded. [characters]
MAX_NAME_LENGTH = 255
MAX_UNIT_LENGTH = 60
#: The version of RFC 8428.
VERSION = 10

# RFC 8428, section 4.5.1.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
# RFC 4648, section 5.
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_STRINGS = frozenset({"bn", "bu", "n", "u", "vs", "vd"})
NUMBERS = frozenset({"bt", "bv", "bs", "bver", "v", "s", "t", "ut"})
_BASES = ("bn", "bt", "bu", "bv", "bs")
VALUES = ("v", "vs", "vb", "vd")


class Record(NamedTuple):
    """One record with the base fields applied, before Gritbook's own rules.

    ``seconds`` and ``base_seconds`` are the record's time and the base time as sent [s]; ``value``
    holds the base value already. ``fields`` are the record's own fields.
    """

    number: int
    name: str
    unit: str | None
    base_seconds: float
    seconds: float
    value: float | None
    total: float | None
    fields: dict[str, Any]


def resolve(payload: bytes, now_s: float) -> list[dict[str, Any]]:
    """Give a pack's resolved records: base fields applied, times absolute, oldest first.

    Records that are not SenML are left out; :func:`ingest.wire.senml.decode` says which and why.

    Parameters
    ----------
    payload : bytes
        The pack.
    now_s : float
        What relative times count from. [s since 1970 UTC]

    Returns
    -------
    list of dict
        JSON fields of the resolved records; ``bver`` only where it is not 10.

    Examples
    --------
    >>> resolve(b'[{"bn":"a:","bt":1760000000,"n":"b","v":1},{"n":"c","t":-5,"vb":true}]', 0.0)
    [{'n': 'a:c', 't': 1759999995.0, 'vb': True}, {'n': 'a:b', 't': 1760000000.0, 'v': 1.0}]

    References
    ----------
    RFC 8428, section 4.6.
    """
    records, _, version = read_records(payload)
    resolved = []
    for record in records:
        seconds = record.base_seconds + record.seconds
        if seconds < 2**28:
            seconds += now_s
        fields: dict[str, Any] = {} if version == VERSION else {"bver": version}
        fields["n"] = record.name
        if record.unit is not None:
            fields["u"] = record.unit
        fields["t"] = seconds
        if record.value is not None:
            fields["v"] = record.value
        fields.update({key: record.fields[key] for key in VALUES[1:] if key in record.fields})
        if record.total is not None:
            fields["s"] = record.total
        if "ut" in record.fields:
            fields["ut"] = record.fields["ut"]
        resolved.append(fields)
    resolved.sort(key=lambda fields: float(fields["t"]))
    return resolved


def read_records(payload: bytes) -> tuple[list[Record], list[Reject], int]:
    """Read a pack's records as the RFC has them: base fields applied, fields checked by kind.

    Parameters
    ----------
    payload : bytes
        One JSON array.

    Returns
    -------
    tuple
        Records in the order sent, rejects, and the pack's version.
    """
    raws = _split(payload)
    if isinstance(raws, Reject):
        return [], [raws], VERSION
    return records_of(raws, _fields)


_Raw = TypeVar("_Raw")


def records_of(
    raws: Sequence[_Raw], fields_of: Callable[[_Raw, int], dict[str, Any] | Reject]
) -> tuple[list[Record], list[Reject], int]:
    """Turn the parts of a pack into records, whatever they were written in.

    Parameters
    ----------
    raws : sequence
        One a record.
    fields_of : callable
        Given a part and its number: the record's own fields under JSON's names, or a reject.

    Returns
    -------
    tuple
        As of :func:`read_records`.
    """
    records: list[Record] = []
    rejects: list[Reject] = []
    base: dict[str, Any] = {}
    unusable: set[str] = set()
    versions: set[int] = set()
    for number, raw in enumerate(raws):
        fields = fields_of(raw, number)
        if isinstance(fields, Reject):
            if fields.reason != reasons.NOT_A_RECORD:
                # Which base fields it would have set cannot be known, so none may be relied on.
                unusable.update(_BASES)
            rejects.append(fields)
            continue
        faults = _take_base(fields, base, unusable, versions, number)
        faults += _wrong_fields(fields, number)
        if faults:
            rejects.append(faults[0])
            continue
        if unusable and _leans_on(fields, unusable):
            detail = f"record {number}: it needs {', '.join(sorted(unusable))}"
            rejects.append(Reject(reasons.BASE_UNUSABLE, detail))
            continue
        if "n" not in fields and not any(key in fields for key in (*VALUES, "s")):
            # Such a record only sets base fields, as in the RFC's section 5.1.7.
            continue
        record = _record(fields, base, number)
        if isinstance(record, Reject):
            rejects.append(record)
        else:
            records.append(record)
    if len(versions) > 1 or any(version > VERSION for version in versions):
        detail = f"bver {', '.join(map(str, sorted(versions)))}; this Gritbook reads up to 10"
        return [], [Reject(reasons.VERSION_UNKNOWN, detail)], VERSION
    return records, rejects, versions.pop() if versions else VERSION


def name_allowed(name: str) -> bool:
    """Whether a concatenated name is of the RFC's characters and not too long."""
    return len(name) <= MAX_NAME_LENGTH and _NAME.fullmatch(name) is not None


def _split(payload: bytes) -> list[msgspec.Raw] | Reject:
    """Split a pack into its records' bytes."""
    if len(payload) > MAX_MESSAGE_BYTES:
        detail = f"{len(payload)} bytes; at most {MAX_MESSAGE_BYTES} are read"
        return Reject(reasons.TOO_LARGE, detail)
    try:
        raws = msgspec.json.decode(payload, type=list[msgspec.Raw])
    except msgspec.ValidationError:
        return Reject(reasons.NOT_A_PACK, "a pack is an array of records")
    except RecursionError:
        return Reject(reasons.TOO_DEEP, "a record holds no more than plain fields")
    except UnicodeDecodeError as error:
        return Reject(reasons.NOT_UTF8, f"byte {error.start}")
    except msgspec.DecodeError as error:
        return Reject(reasons.NOT_JSON, str(error))
    return counted(raws)


def counted(raws: list[_Raw]) -> list[_Raw] | Reject:
    """The parts of a pack, or a reject where there is none or more than may be."""
    if not raws:
        return Reject(reasons.NOT_A_PACK, "the array is empty")
    if len(raws) > MAX_RECORDS:
        detail = f"{len(raws)} records; at most {MAX_RECORDS} are read"
        return Reject(reasons.TOO_MANY_RECORDS, detail)
    return raws


def _fields(raw: msgspec.Raw, number: int) -> dict[str, Any] | Reject:
    """Read one record's fields; a field whose value cannot be read is kept as :class:`Unreadable`.

    A number too large for a double is one: then the field's name is still known.
    """
    try:
        parts = msgspec.json.decode(raw, type=dict[str, msgspec.Raw])
    except msgspec.ValidationError:
        return Reject(reasons.NOT_A_RECORD, f"record {number}: not an object")
    except RecursionError:
        return Reject(reasons.TOO_DEEP, f"record {number}")
    except UnicodeDecodeError:
        return Reject(reasons.NOT_UTF8, f"record {number}")
    except msgspec.DecodeError as error:
        return Reject(reasons.NOT_JSON, f"record {number}: {error}")
    fields: dict[str, Any] = {}
    for key, part in parts.items():
        try:
            fields[key] = msgspec.json.decode(part)
        except UnicodeDecodeError:
            fields[key] = Unreadable(reasons.NOT_UTF8)
        except (msgspec.DecodeError, RecursionError):
            number_field = key in NUMBERS
            fields[key] = Unreadable(
                reasons.NUMBER_OUT_OF_RANGE if number_field else reasons.FIELD_WRONG
            )
    return fields


class Unreadable(NamedTuple):
    """What stands for a field's value that could not be read."""

    reason: str


def _right_kind(key: str, value: object) -> bool:
    if key in _STRINGS:
        return isinstance(value, str)
    if key in NUMBERS:
        return (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and abs(value) <= 1.7976931348623157e308
        )
    return key != "vb" or isinstance(value, bool)


def _wrong_fields(fields: dict[str, Any], number: int) -> list[Reject]:
    faults = []
    for key, value in fields.items():
        if key in _STRINGS or key in NUMBERS or key == "vb":
            if isinstance(value, Unreadable):
                faults.append(Reject(value.reason, f"record {number}: {key}"))
            elif not _right_kind(key, value):
                detail = f"record {number}: {key} {_brief(value)}"
                faults.append(Reject(reasons.FIELD_WRONG, detail))
        elif key.endswith("_"):
            detail = f"record {number}: {_brief(key)}"
            faults.append(Reject(reasons.FIELD_NOT_UNDERSTOOD, detail))
    return faults


def _take_base(
    fields: dict[str, Any],
    base: dict[str, Any],
    unusable: set[str],
    versions: set[int],
    number: int,
) -> list[Reject]:
    """Let a record's base fields hold from here on; a wrong one spoils what leans on it."""
    for key in _BASES:
        if key in fields:
            if _right_kind(key, fields[key]):
                base[key] = fields[key]
                unusable.discard(key)
            else:
                unusable.add(key)
    version = fields.get("bver")
    if version is None or not _right_kind("bver", version):
        return []
    if version != int(version) or version < 1:
        return [Reject(reasons.FIELD_WRONG, f"record {number}: bver {version}")]
    versions.add(int(version))
    return []


def _leans_on(fields: dict[str, Any], unusable: set[str]) -> bool:
    """Whether a record's meaning depends on a base field that could not be read."""
    needs = {"bn", "bt"}
    if "u" not in fields and "vb" not in fields:
        needs.add("bu")
    if "v" in fields:
        needs.add("bv")
    if "s" in fields:
        needs.add("bs")
    return bool(needs & unusable)


def _record(fields: dict[str, Any], base: dict[str, Any], number: int) -> Record | Reject:
    present = [key for key in VALUES if key in fields]
    if len(present) > 1:
        return Reject(reasons.SEVERAL_VALUES, f"record {number}: {', '.join(present)}")
    total = None
    if "s" in fields or "bs" in base:
        total = float(fields.get("s", 0.0)) + float(base.get("bs", 0.0))
    value = None
    if "v" in fields or ("bv" in base and not present):
        value = float(fields.get("v", 0.0)) + float(base.get("bv", 0.0))
    if not present and value is None and total is None:
        return Reject(reasons.NO_VALUE, f"record {number}")
    if "vd" in fields and not _is_base64url(fields["vd"]):
        return Reject(reasons.FIELD_WRONG, f"record {number}: vd is not base64url")
    name = base.get("bn", "") + fields.get("n", "")
    if not name_allowed(name):
        return Reject(reasons.NAME_NOT_ALLOWED, f"record {number}: n {_brief(name)}")
    unit = fields.get("u", base.get("bu"))
    if unit is not None and len(unit) > MAX_UNIT_LENGTH:
        return Reject(reasons.UNIT_WRONG, f"record {number}: u {_brief(unit)}")
    return Record(
        number,
        name,
        unit,
        float(base.get("bt", 0.0)),
        float(fields.get("t", 0.0)),
        value,
        total,
        fields,
    )


def _is_base64url(text: str) -> bool:
    digits = text.rstrip("=")
    return _BASE64URL.fullmatch(digits) is not None and len(digits) % 4 != 1


def _brief(value: object) -> str:
    shown = repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."
