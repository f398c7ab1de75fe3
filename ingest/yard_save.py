"""Put a changed yard file in the place of the old one: whole or not at all, the old one kept."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from ingest.errors import YardFileError

#: Folder of the data folder in which older yard files are kept.
KEPT = "yard-kept"
_BOM = b"\xef\xbb\xbf"


class YardText(NamedTuple):
    """A yard file as it stands.

    Parameters
    ----------
    text : str
        What is in it, ends of lines as they are.
    digest : str
        SHA-256 of its bytes, 64 hexadecimal digits.
    """

    text: str
    digest: str


def read_text(path: Path) -> YardText:
    """The yard file's text, and what tells whether it is still the same later.

    Raises
    ------
    YardFileError
        It cannot be read.
    """
    content = _bytes(path)
    try:
        return YardText(content.removeprefix(_BOM).decode(), _digest(content))
    except UnicodeDecodeError as error:
        raise YardFileError(
            f"The yard file {path} is not UTF-8 text (byte {error.start}).",
            "Save it as UTF-8 in your editor.",
        ) from error


def replace(
    data: Path,
    path: Path,
    text: str,
    seen: str,
    note: Callable[[str, str], object],
    at: dt.datetime | None = None,
) -> Path:
    """Put another text in the yard file's place.

    The order is: the old file is kept in the data folder; the new one is written beside the old
    one and forced to disk; the change is noted; the new file takes the old one's name. What fails
    on the way leaves the old file as it is.

    Parameters
    ----------
    data : Path
        Data folder.
    path : Path
        The yard file; where it is a link, what it leads to is replaced.
    text : str
        A text that was checked.
    seen : str
        Digest of the file that the change was made from (:func:`read_text`).
    note : callable
        Writes down who changed it; takes the new file's digest and the name of the kept one.
    at : datetime, optional
        For the name of the kept one; by default now.

    Returns
    -------
    Path
        Where the old file is kept.

    Raises
    ------
    YardFileError
        The file changed meanwhile, or cannot be written. Nothing was changed.
    """
    path = path.resolve()
    old = _bytes(path)
    _refuse_changed(path, old, seen)
    new = (_BOM if old.startswith(_BOM) else b"") + text.encode()
    now = (at or dt.datetime.now(dt.UTC)).astimezone(dt.UTC)
    kept = data / KEPT / f"yard-{now:%Y%m%dT%H%M%S%f}Z.toml"
    beside: Path | None = None
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        mode = path.stat().st_mode & 0o7777
        _write(kept, old, mode)
        number, name = tempfile.mkstemp(prefix=".yard-", suffix=".toml", dir=path.parent)
        os.close(number)
        beside = Path(name)
        _write(beside, new, mode)
        note(_digest(new), kept.name)
        # Somebody's editor may have saved while the change was noted.
        _refuse_changed(path, _bytes(path), seen)
        beside.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise YardFileError(
            f"The yard file {path} was not changed: {error.strerror} ({error.filename}).",
            "Whoever runs the pages must be allowed to write it, its folder and the data folder.",
        ) from error
    finally:
        if beside is not None:
            with suppress(FileNotFoundError):
                beside.unlink()
    return kept


def _refuse_changed(path: Path, content: bytes, seen: str) -> None:
    if _digest(content) != seen:
        raise YardFileError(
            f"The yard file {path} was changed by somebody else meanwhile. Nothing was saved.",
            "Look at it as it is now, and make your change again.",
        )


def _write(path: Path, content: bytes, mode: int) -> None:
    with path.open("wb") as into:
        path.chmod(mode)
        into.write(content)
        into.flush()
        os.fsync(into.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return  # Windows opens no folders
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise YardFileError(
            f"The yard file {path} cannot be read: {error.strerror}.",
            "Check that it is there, and its permissions.",
        ) from error


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
