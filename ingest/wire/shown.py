"""A message's bytes made readable for people, whatever they are."""

from __future__ import annotations

import io
import json
from typing import Any

#: More of a message than this is not shown. [characters]
LONGEST = 4_000


def readable(payload: bytes, content_type: str = "") -> tuple[str, str]:
    """What a message's bytes say, as far as they say anything.

    Parameters
    ----------
    payload : bytes
        The message.
    content_type : str
        As the message had it; CBOR is tried where it names it.

    Returns
    -------
    tuple of str
        What the bytes are, and their text, cut at :data:`LONGEST` characters: JSON a record a
        line, CBOR as the JSON that it stands for, other text as it is, else hexadecimal digits in
        rows of 16 bytes. Never raises for what the bytes hold.

    Examples
    --------
    >>> readable(b'[{"n":"pot","v":1},{"n":"supply"}]')[1].splitlines()
    ['[{"n": "pot", "v": 1},', ' {"n": "supply"}]']
    >>> readable(b"rate=10")
    ('text', 'rate=10')
    >>> readable(bytes([255, 0, 16]))
    ('bytes, in hexadecimal', 'ff 00 10')
    """
    if "cbor" in content_type:
        found = _cbor(payload)
        if found is not None:
            return "CBOR", _cut(found)
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        found = None if "cbor" in content_type else _cbor(payload)
        if found is not None:
            return "CBOR", _cut(found)
        rows = [payload[i : i + 16].hex(" ") for i in range(0, min(len(payload), LONGEST), 16)]
        return "bytes, in hexadecimal", _cut("\n".join(rows))
    try:
        return "JSON", _cut(_lines(json.loads(text)))
    except (ValueError, RecursionError):
        shown = "".join(c if c.isprintable() or c in "\n\t" else "\ufffd" for c in text)
        return "text", _cut(shown)


def _cbor(payload: bytes) -> str | None:
    from ingest.wire.cbor import NotCbor, next_item

    file = io.BytesIO(payload)
    try:
        item = next_item(file)
    except (EOFError, NotCbor):
        return None
    # One item and no more; a lone number is what any byte could be taken for.
    if file.tell() != len(payload) or not isinstance(item, list | tuple | dict):
        return None
    return _lines(item)


def _lines(value: Any) -> str:
    if isinstance(value, list | tuple) and value:
        return "[" + ",\n ".join(_one_line(item) for item in value) + "]"
    return _one_line(value)


def _one_line(value: Any) -> str:
    try:
        return json.dumps(value, ensure_ascii=False, default=_other)
    except (TypeError, ValueError, RecursionError):
        return repr(value)


def _other(value: Any) -> str:
    return value.hex(" ") if isinstance(value, bytes) else repr(value)


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[:LONGEST]} \u2026"
