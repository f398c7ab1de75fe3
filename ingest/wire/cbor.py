"""SenML packs in CBOR as RFC 8428, section 6, has them: bytes to records with JSON's field names.

Labels of the RFC's table 4 are whole numbers; data values are bytes. Everything behind that is the
same as for JSON: :func:`ingest.wire.rfc8428.records_of`.

CBOR can carry far more than a pack needs: shared references, regular expressions, numbers of any
size. Those tags are refused before they are made, and nesting is bounded.
"""

from __future__ import annotations

import base64
import io
import math
from decimal import Decimal
from typing import IO, Any, NoReturn

import cbor2

from ingest.readings import Reject
from ingest.wire import reasons
from ingest.wire.rfc8428 import (
    MAX_MESSAGE_BYTES,
    NUMBERS,
    VERSION,
    Record,
    Unreadable,
    counted,
    records_of,
)

#: RFC 8428, section 6, table 4.
LABELS: dict[int, str] = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
_NAMES = frozenset(LABELS.values())

#: A pack is an array of maps of plain values; a field that is not ours may hold a little more.
MAX_DEPTH = 8

# What cbor2 would turn into objects other than numbers, text, bytes, arrays and maps. Bignums (2,
# 3) and decimal fractions (4) stay: RFC 8428 allows them. Decimals are bounded by their context.
_REFUSED_TAGS = (0, 1, 5, 25, 28, 29, 30, 35, 36, 37, 100, 256, 258, 260, 261, 1004, 43000)


def _refuse(decoder: cbor2.CBORDecoder) -> NoReturn:
    raise ValueError("a tag that SenML has no use for")


_SEMANTIC_DECODERS: dict[int, Any] = dict.fromkeys(_REFUSED_TAGS, _refuse)


class NotCbor(ValueError):
    """The bytes are not CBOR that a pack can be made of; the message says why."""


def next_item(file: IO[bytes]) -> Any:
    """The next item of a file of CBOR (RFC 8742), which is left at the byte behind it.

    Raises
    ------
    EOFError
        The file is at its end.
    NotCbor
        What stands there is no item, or is cut off.
    """
    begin = file.tell()
    if not file.read(1):
        raise EOFError
    file.seek(begin)
    try:
        return cbor2.CBORDecoder(
            file,
            semantic_decoders=_SEMANTIC_DECODERS,
            max_depth=MAX_DEPTH,
            allow_duplicate_keys=False,
            read_size=1,
        ).decode()
    except (cbor2.CBORDecodeError, RecursionError, OverflowError, TypeError) as error:
        raise NotCbor(str(error)) from error


def read_records(payload: bytes) -> tuple[list[Record], list[Reject], int]:
    """Read a pack's records as :func:`ingest.wire.rfc8428.read_records` does for JSON.

    Parameters
    ----------
    payload : bytes
        One CBOR array.

    Returns
    -------
    tuple
        Records in the order sent, rejects, and the pack's version. Never raises for what the bytes
        hold.

    Examples
    --------
    >>> pack = cbor2.dumps([{-2: "pot-1/", 0: "pot", 1: "Pa", 2: 650000}])
    >>> read_records(pack)[0][0].name
    'pot-1/pot'

    References
    ----------
    RFC 8428, section 6.
    """
    if len(payload) > MAX_MESSAGE_BYTES:
        detail = f"{len(payload)} bytes; at most {MAX_MESSAGE_BYTES} are read"
        return [], [Reject(reasons.TOO_LARGE, detail)], VERSION
    file = io.BytesIO(payload)
    try:
        pack = next_item(file)
    except EOFError:
        return [], [Reject(reasons.NOT_CBOR, "no bytes")], VERSION
    except NotCbor as error:
        too_deep = "nesting depth" in str(error)
        reason = reasons.TOO_DEEP if too_deep else reasons.NOT_CBOR
        return [], [Reject(reason, str(error)[:200])], VERSION
    if file.tell() != len(payload):
        left = len(payload) - file.tell()
        return [], [Reject(reasons.NOT_CBOR, f"{left} bytes behind the pack")], VERSION
    if not isinstance(pack, list | tuple):
        return [], [Reject(reasons.NOT_A_PACK, "a pack is an array of records")], VERSION
    raws = counted(list(pack))
    if isinstance(raws, Reject):
        return [], [raws], VERSION
    return records_of(raws, _fields)


def _fields(raw: Any, number: int) -> dict[str, Any] | Reject:
    if not isinstance(raw, dict):
        return Reject(reasons.NOT_A_RECORD, f"record {number}: not a map")
    fields: dict[str, Any] = {}
    for label, value in raw.items():
        if isinstance(label, str):
            if label in _NAMES:
                detail = f"record {number}: label {label!r} is text, not a number"
                return Reject(reasons.FIELD_WRONG, detail)
            fields[label] = value
        elif isinstance(label, int) and not isinstance(label, bool) and label in LABELS:
            fields[LABELS[label]] = _plain(LABELS[label], value)
        else:
            # One of a later version of the RFC; a name of JSON's is never like it.
            fields[f"#{label!r}"[:60]] = value
    return fields


def _plain(name: str, value: Any) -> Any:
    """A value as JSON would have given it."""
    if name == "vd":
        if isinstance(value, bytes):
            return base64.urlsafe_b64encode(value).rstrip(b"=").decode()
        return Unreadable(reasons.FIELD_WRONG)
    if isinstance(value, Decimal) and name in NUMBERS:
        number = float(value)
        return number if math.isfinite(number) else Unreadable(reasons.NUMBER_OUT_OF_RANGE)
    return value
