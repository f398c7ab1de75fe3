"""Photos that people take of parts: kept as files under the SHA-256 of their bytes.

A record names its photo by that digest, so a photo that was exchanged does not fit its record any
more. The bytes are kept as they came; the same photo twice is one file.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import NamedTuple

from ingest.errors import RecordRefused

FOLDER_NAME = "photos"
#: Largest photo that is taken. [bytes]
LARGEST_BYTES = 15 * 1024 * 1024
#: Kind -> what to call it to a browser.
MEDIA_TYPES = {"jpg": "image/jpeg", "png": "image/png", "webp": "image/webp"}
_NAME = re.compile(r"^[0-9a-f]{64}\.(jpg|png|webp)$")


class Fault(NamedTuple):
    """A photo that a record names and that cannot be shown: ``missing`` or ``changed``."""

    name: str
    what: str


def kind_of(content: bytes) -> str | None:
    """``jpg``, ``png`` or ``webp`` by how the bytes begin and end; ``None``: none of them whole.

    The signatures are those of ITU-T T.81 (SOI, EOI), the W3C's PNG specification (signature,
    IEND) and RFC 9649 (RIFF, WEBP, length).

    Examples
    --------
    >>> kind_of(bytes.fromhex("ffd8ffe0") + bytes(20) + bytes.fromhex("ffd9"))
    'jpg'
    >>> kind_of(b"GIF89a") is None
    True
    """
    if content.startswith(b"\xff\xd8\xff"):
        # Some cameras append bytes of their own after the end marker.
        return "jpg" if b"\xff\xd9" in content[4:] else None
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png" if b"IEND" in content[-16:] else None
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp" if len(content) >= int.from_bytes(content[4:8], "little") + 8 else None
    return None


def keep(data: Path, content: bytes) -> str:
    """Keep a photo.

    Parameters
    ----------
    data : Path
        Data folder.
    content : bytes
        The file as it came.

    Returns
    -------
    str
        The name that a record's ``photo`` takes.

    Raises
    ------
    RecordRefused
        It is too large, empty, cut off or no JPEG, PNG or WebP, or it cannot be written.
    """
    if len(content) > LARGEST_BYTES:
        raise RecordRefused(
            f"The photo has {len(content) / 1e6:.1f} MB; at most {LARGEST_BYTES / 1e6:.0f} are "
            "taken.",
            "Take it smaller, or save without it.",
        )
    kind = kind_of(content)
    if kind is None:
        raise RecordRefused(
            "The photo is no whole JPEG, PNG or WebP file.",
            "Take it again, or save without it.",
        )
    name = f"{hashlib.sha256(content).hexdigest()}.{kind}"
    path = photo_path(data, name)
    if path.exists() and path.read_bytes() == content:
        return name
    unfinished = path.with_name(f"{name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with unfinished.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise RecordRefused(
            f"The photo cannot be kept in {path.parent}: {error.strerror}.",
            "See to the disk, or save without it.",
        ) from error
    return name


def photo_path(data: Path, name: str) -> Path:
    """Where a photo lies.

    Raises
    ------
    ValueError
        It is no photo's name.
    """
    if not _NAME.match(name):
        raise ValueError(f"{name!r} is no photo's name")
    return data / FOLDER_NAME / name


def read(data: Path, name: str) -> bytes | None:
    """The bytes of a photo, if they are still those that were kept; else ``None``."""
    try:
        content = photo_path(data, name).read_bytes()
    except OSError:
        return None
    return content if hashlib.sha256(content).hexdigest() == name[:64] else None


def faults(data: Path, names: Collection[str]) -> Iterator[Fault]:
    """Photos among ``names`` that are missing or are not what was kept."""
    for name in sorted(set(names)):
        if read(data, name) is None:
            there = photo_path(data, name).exists()
            yield Fault(name, "changed" if there else "missing")
