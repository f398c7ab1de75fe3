"""What became of access, line by line: who came in, who was refused, what was changed of people.

Lines of JSON are only ever added, each on disk before whoever asked gets an answer. What somebody
typed as a name that nobody has is not in it: it may have been a password.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from dashboard.access.book import folder, make_private, refuse_open_to_others
from ingest.errors import AccessError


def log_path(data: Path) -> Path:
    """Where the lines lie."""
    return folder(data) / "audit.jsonl"


def note(data: Path, what: str, name: str, address: str = "", **more: str) -> None:
    """Add a line, and have it on disk.

    Parameters
    ----------
    data : Path
        Data folder.
    what : str
        What happened, in words.
    name : str
        Whom it is about.
    address : str
        Where it came from; empty: this computer's command line.
    **more : str
        What else belongs to it. Never a password, a token or a name that nobody has.

    Raises
    ------
    AccessError
        It cannot be written, or others may read the file.
    """
    path = log_path(data)
    line: dict[str, Any] = {
        "at": dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
        "what": what,
        "name": name,
        "from": address or "command",
        **more,
    }
    if not path.exists():
        make_private(path)
    refuse_open_to_others(path, "The access log")
    try:
        with path.open("ab+") as file:
            # Whoever lost power in a line before left it without an end.
            size = file.seek(0, os.SEEK_END)
            file.seek(max(size - 1, 0))
            if size and file.read(1) != b"\n":
                file.write(b"\n")
            # One write: appended whole beside what other processes append.
            file.write(json.dumps(line, ensure_ascii=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise AccessError(
            f"The access log {path} cannot be written: {error.strerror}.", "See to the disk."
        ) from error


def lines(data: Path) -> Iterator[dict[str, Any]]:
    """Every line, oldest first; one that lost its end is given as ``{"what": "unreadable"}``.

    Raises
    ------
    AccessError
        Others may read the file, or it cannot be read.
    """
    path = log_path(data)
    if not path.exists():
        return
    refuse_open_to_others(path, "The access log")
    with path.open(encoding="utf-8", errors="replace") as file:
        for text in file:
            try:
                line = json.loads(text)
            except ValueError:
                line = None
            yield line if isinstance(line, dict) else {"what": "unreadable"}
