"""Copies of a data folder that are taken while ingest runs, and folders made from them.

A backup is a folder of contents, each under its SHA-256 in ``contents/``, and one JSON a backup in
``backups/`` that says which file of the data folder had which. So what did not change since the
last backup is not copied again: archived days, photos, closed segments of the journal.

Order makes it whole. The store is copied first, within a read window, so no transaction is cut in
two; then everything else, the journal with it. What was acknowledged before the backup began is in
the journal by then, and the store's mark says from where on it has to be taken. A read window
shuts the writer out while the store is copied; meanwhile the journal takes what comes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.errors import DiskFull, StoreError
from ingest.store import record_chain
from ingest.store.archive_place import CACHE_FOLDER, sync_folder
from ingest.store.archive_writing import LOCK_NAME, alone
from ingest.store.connection import (
    DEFAULT_WAIT_S,
    STORE_NAME,
    open_store,
    read_window,
    store_path,
)

if TYPE_CHECKING:
    import duckdb

Tell = Callable[[str], None]

VERSION = 1
_CONTENTS, _BACKUPS = "contents", "backups"
_PIECE = 1 << 20
#: What is of no use elsewhere: locks, what is being written, what is read from elsewhere anyway.
_LEFT_OUT = frozenset({"lock", "ingest-health.json", LOCK_NAME, CACHE_FOLDER})
_LEFT_OUT_ENDS = (".new", ".tmp", ".wal", ".lock")


class Backup(NamedTuple):
    """What a backup took.

    Parameters
    ----------
    name : str
        It is called so from now on.
    files, size : int
        All that is in it. [bytes]
    new_files, new_size : int
        What had to be copied for it. [bytes]
    elsewhere : tuple of str
        Places of archived days that lie in an object store or another folder: not copied.
    held_s : float
        How long the store was held. [s]
    """

    name: str
    files: int
    size: int
    new_files: int
    new_size: int
    elsewhere: tuple[str, ...]
    held_s: float


class Restored(NamedTuple):
    """What a restore brought, and what was read back of it to prove it.

    Parameters
    ----------
    name : str
        The backup.
    files, size : int
        [bytes]
    proven : tuple of str
        A sentence on each thing that was read back and compared.
    """

    name: str
    files: int
    size: int
    proven: tuple[str, ...]


def back_up(
    data: Path,
    to: Path,
    yard: Path | None = None,
    tell: Tell = lambda sentence: None,
    now: dt.datetime | None = None,
    wait_s: float = DEFAULT_WAIT_S,
) -> Backup:
    """Take a backup of a data folder, while ingest and pages may run.

    Parameters
    ----------
    data : Path
        Data folder.
    to : Path
        Folder of the backups, on another disk; made where it does not exist.
    yard : Path or None
        The yard file, where it does not lie in the data folder.
    tell : callable
        Given a sentence a step.
    now : datetime, optional
        Aware; names the backup; by default read.
    wait_s : float
        How long to wait for the store. [s]

    Raises
    ------
    StoreError
        The folder cannot be written or lies in the data folder; a file cannot be read; an
        archiving or another backup is running.
    StoreBusy
        A writer held the store.
    DiskFull
        There is no room; no backup was made, and older ones are as they were.
    """
    import time

    now = now or dt.datetime.now(dt.UTC)
    if data.resolve() == to.resolve() or data.resolve() in to.resolve().parents:
        raise StoreError(
            f"{to} lies in the data folder itself.", "Choose a folder on another disk."
        )
    keep = _Contents(to)
    files: dict[str, dict[str, Any]] = {}
    held_s = 0.0
    try:
        with alone(data):
            keep.make()
            before = _newest_files(to)
            for store in _stores(data):
                began = time.monotonic()
                with read_window(store.parent, wait_s):
                    # No writer can have the file now, so the copy is of one state.
                    copied = keep.copy_aside(store)
                held_s += time.monotonic() - began
                facts = facts_of(copied)
                files[_name(store, data)] = keep.take(copied, store) | {"facts": facts}
                tell(f"The store {_name(store, data)} is copied.")
            for path in _others(data):
                entry = _unchanged(path, before.get(_name(path, data)), keep) or keep.add(path)
                if entry is not None:
                    files[_name(path, data)] = entry
            if yard is not None and "yard.toml" not in files and yard.exists():
                entry = keep.add(yard)
                if entry is not None:
                    files["yard.toml"] = entry
            elsewhere = tuple(sorted({place for s in _stores(data) for place in _places(s)}))
            name = now.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%S.%fZ")
            said = {
                "version": VERSION,
                "made_at": now.astimezone(dt.UTC).isoformat(),
                "files": files,
                "elsewhere": elsewhere,
            }
            keep.seal(name, said)
    except OSError as error:
        keep.drop_unfinished()
        if error.errno == 28:
            raise DiskFull(
                f"The disk of {to} is full.", "Make room, or back up to a larger disk."
            ) from error
        raise StoreError(
            f"The backup to {to} failed: {error.strerror} ({error.filename}).",
            "Check that the disk is there and that you may write to it.",
        ) from error
    size = sum(int(entry["size"]) for entry in files.values())
    return Backup(name, len(files), size, keep.new_files, keep.new_size, elsewhere, held_s)


def backups(of: Path) -> list[str]:
    """Names of the backups in a folder, the oldest first."""
    return sorted(path.stem for path in (of / _BACKUPS).glob("*.json"))


def restore(
    of: Path,
    to: Path,
    name: str | None = None,
    tell: Tell = lambda sentence: None,
) -> Restored:
    """Make a data folder from a backup, and prove it by reading it back.

    Parameters
    ----------
    of : Path
        Folder of the backups.
    to : Path
        New data folder; it must be empty or not exist.
    name : str or None
        Which backup; ``None``: the newest.
    tell : callable
        Given a sentence a step.

    Raises
    ------
    StoreError
        There is no such backup, the folder is not empty, or something of the backup is damaged.
        What was restored until then is left as it is, without a store.
    DiskFull
        There is no room.
    """
    found = backups(of)
    if not found or (name is not None and name not in found):
        listed = f"It has: {', '.join(found[-10:])}." if found else "Look whether it is the folder."
        raise StoreError(f"{of} holds no backup{f' {name}' if name else ''}.", listed)
    name = name or found[-1]
    if to.exists() and any(to.iterdir()):
        raise StoreError(
            f"{to} is not empty: a restore never writes over anything.",
            "Name a new folder with --to.",
        )
    said = _said(of, name)
    size = 0
    stores: list[tuple[Path, Path, dict[str, Any]]] = []
    try:
        to.mkdir(parents=True, exist_ok=True)
        for path, entry in sorted(said["files"].items()):
            whole = to / path
            if not whole.resolve().is_relative_to(to.resolve()):
                raise StoreError(f"The backup {name} names a file outside: {path}.")
            whole.parent.mkdir(parents=True, exist_ok=True)
            # A store gets its name last: until all is there, nothing can take it for whole.
            target = whole.with_name(f"{whole.name}.new") if "facts" in entry else whole
            _copy_checked(of, entry, target, path)
            if "facts" in entry:
                stores.append((target, whole, entry))
            size += int(entry["size"])
        tell(f"{len(said['files']):,} files are back, each with the digest it had.")
        proven: list[str] = []
        for target, whole, entry in stores:
            proven += _prove(target, entry["facts"], _name(whole, to), name)
            target.replace(whole)
            sync_folder(whole.parent)
    except OSError as error:
        if error.errno == 28:
            raise DiskFull(f"The disk of {to} is full.", "Restore to a larger one.") from error
        raise StoreError(
            f"The restore to {to} failed: {error.strerror} ({error.filename}).",
            "Check that you may write there, and begin with an empty folder.",
        ) from error
    return Restored(name, len(said["files"]), size, tuple(proven))


def verify(of: Path, name: str | None = None) -> list[str]:
    """Read everything that a backup holds and compare digests; a sentence on what is not whole."""
    said = _said(of, name or backups(of)[-1])
    bad = []
    for path, entry in sorted(said["files"].items()):
        content = _content(of, entry["sha256"])
        if not content.exists() or _digest(content) != entry["sha256"]:
            bad.append(f"{path} is damaged or missing in {of}.")
    return bad


def forget_old(of: Path, keep: int) -> int:
    """Forget all but the newest backups, and contents that none of those has; returns how many."""
    names = backups(of)
    old = names[:-keep] if keep else names
    for name in old:
        (of / _BACKUPS / f"{name}.json").unlink()
    used = {entry["sha256"] for name in backups(of) for entry in _said(of, name)["files"].values()}
    for path in (of / _CONTENTS).glob("*/*"):
        if path.name not in used:
            path.unlink()
    return len(old)


# --- what is read back to prove a store -----------------------------------------------------------


def facts_of(store: Path) -> dict[str, Any]:
    """What a store holds, table by table, so that a copy can be proved by reading it.

    Parameters
    ----------
    store : Path
        A store that nobody writes to.

    Returns
    -------
    dict
        ``tables``: rows and a sum over all rows' hashes of each; ``last_at``: newest instant of
        ``sample``; ``seal`` and ``chain_faults`` of people's entries; ``archived``: archived
        rows; ``engine``: DuckDB's version, for another may hash otherwise.
    """
    with open_store(store, read_only=True, wait_s=5.0) as con:
        tables = {name: _table_fact(con, name) for name in _tables(con)}
        ((last_at,),) = con.execute("SELECT max(sampled_at) FROM sample_value").fetchall()
        ((archived_rows,),) = con.execute("SELECT sum(rows) FROM archive_file").fetchall()
        seal, faults = record_chain.seal_of(con), record_chain.faults(con)
        ((engine,),) = con.execute("SELECT version()").fetchall()
    return {
        "tables": tables,
        "last_at": last_at.isoformat() if last_at else None,
        "seal": str(seal),
        "chain_faults": len(faults),
        "archived": int(archived_rows or 0),
        "engine": engine,
    }


def _tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    rows = con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE NOT internal ORDER BY table_name"
    ).fetchall()
    return [name for (name,) in rows]


def _table_fact(con: duckdb.DuckDBPyConnection, name: str) -> list[Any]:
    ((count, total),) = con.execute(
        f'SELECT count(*), sum(hash(t)::HUGEINT) FROM "{name}" AS t'
    ).fetchall()
    return [int(count), str(int(total or 0))]


def _prove(store: Path, facts: dict[str, Any], called: str, name: str) -> list[str]:
    """Read a restored store and compare; a sentence on each thing that is equal."""
    found = facts_of(store)
    alike = found["engine"] == facts["engine"]
    differ = [
        table
        for table, fact in facts["tables"].items()
        if found["tables"].get(table, [])[: 2 if alike else 1] != fact[: 2 if alike else 1]
    ]
    for key in ("last_at", "seal", "chain_faults", "archived"):
        if found[key] != facts[key]:
            differ.append(key)
    if differ:
        raise StoreError(
            f"{called} of the backup {name} does not read back as it was: {', '.join(differ)}.",
            "Restore an older backup by its name.",
        )
    tables = found["tables"]
    return [
        f"{called}: {len(tables)} tables, {sum(fact[0] for fact in tables.values()):,} rows read "
        "back, each table's rows as they were.",
        f"{called}: newest reading in the store {found['last_at'] or 'none'}; "
        f"{found['archived']:,} rows archived.",
        f"{called}: {tables['record'][0]:,} entries of people, sealed {found['seal'][:20]}; "
        + (
            f"their chain has {found['chain_faults']} faults, as it had: see `gritbook check`."
            if found["chain_faults"]
            else "their chain is whole."
        ),
    ]


# --- files ---------------------------------------------------------------------------------------


class _Contents:
    """Writes contents under their digest."""

    def __init__(self, to: Path) -> None:
        self._to = to
        self.new_files = 0
        self.new_size = 0

    def make(self) -> None:
        for folder in (self._to, self._to / _CONTENTS, self._to / _BACKUPS):
            folder.mkdir(parents=True, exist_ok=True)
        self.drop_unfinished()

    def drop_unfinished(self) -> None:
        for path in (self._to / _CONTENTS).glob("*.new*"):
            path.unlink(missing_ok=True)

    def holds(self, sha256: str) -> bool:
        return _content(self._to, sha256).exists()

    def copy_aside(self, path: Path) -> Path:
        """A plain copy, with the log that may lie beside it, to be taken later."""
        aside = self._to / _CONTENTS / f"{os.getpid()}.new"
        wal = path.with_name(f"{path.name}.wal")
        copied = aside.with_name(f"{aside.name}.wal")
        has_log = wal.exists() and wal.stat().st_size > 0
        if has_log:
            shutil.copyfile(wal, copied)
        # The store itself last: closing a file gives back all locks that the process has on it.
        shutil.copyfile(path, aside)
        if has_log:
            # Taken into the copy, so that one file is all of it.
            with open_store(aside, read_only=False, wait_s=5.0) as con:
                con.execute("CHECKPOINT")
            copied.unlink(missing_ok=True)
        return aside

    def take(self, aside: Path, of: Path) -> dict[str, Any]:
        """Give a copy its place by its digest."""
        with aside.open("rb+") as file:
            os.fsync(file.fileno())
        return self._place(aside, _digest(aside), of)

    def add(self, path: Path) -> dict[str, Any] | None:
        """Copy a file; ``None`` where it went meanwhile, as an old segment of the journal may."""
        aside = self._to / _CONTENTS / f"{os.getpid()}.new"
        digest = hashlib.sha256()
        try:
            with path.open("rb") as source, aside.open("wb") as target:
                # No further than it is now: a segment of the journal may grow meanwhile.
                left = os.fstat(source.fileno()).st_size
                while left and (piece := source.read(min(_PIECE, left))):
                    digest.update(piece)
                    target.write(piece)
                    left -= len(piece)
                target.flush()
                os.fsync(target.fileno())
        except FileNotFoundError:
            if path.exists():
                raise
            return None
        return self._place(aside, digest.hexdigest(), path)

    def _place(self, aside: Path, sha256: str, of: Path) -> dict[str, Any]:
        content = _content(self._to, sha256)
        size = aside.stat().st_size
        if content.exists():
            aside.unlink()
        else:
            content.parent.mkdir(parents=True, exist_ok=True)
            aside.chmod(0o600)
            aside.replace(content)
            sync_folder(content.parent)
            self.new_files, self.new_size = self.new_files + 1, self.new_size + size
        told = of.stat() if of.exists() else content.stat()
        return {
            "sha256": sha256,
            "size": size,
            "mode": stat.S_IMODE(told.st_mode),
            "written_ns": told.st_mtime_ns if told.st_size == size else 0,
        }

    def seal(self, name: str, said: dict[str, Any]) -> None:
        """Make it a backup: all contents are on the disk by now."""
        text = json.dumps(said, indent=1, sort_keys=True)
        path = self._to / _BACKUPS / f"{name}.json"
        fresh = path.with_name(f"{path.name}.new")
        # Its own digest stands on the last line, so that half a list is never taken for one.
        digest = hashlib.sha256(text.encode()).hexdigest()
        with fresh.open("w", encoding="utf-8") as file:
            file.write(f"{text}\n{digest}\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
        sync_folder(path.parent)


def _said(of: Path, name: str) -> dict[str, Any]:
    lines = (of / _BACKUPS / f"{name}.json").read_text(encoding="utf-8").rstrip("\n")
    text, _, digest = lines.rpartition("\n")
    if hashlib.sha256(text.encode()).hexdigest() != digest:
        raise StoreError(
            f"The list of the backup {name} is damaged.", "Restore another one by its name."
        )
    said: dict[str, Any] = json.loads(text)
    if said["version"] != VERSION:
        raise StoreError(
            f"The backup {name} was made by a newer Gritbook.",
            "Install that version or a later one.",
        )
    return said


def _newest_files(of: Path) -> dict[str, dict[str, Any]]:
    names = backups(of)
    if not names:
        return {}
    try:
        files: dict[str, dict[str, Any]] = _said(of, names[-1])["files"]
    except StoreError:
        return {}  # only a help: everything is read then
    return files


def _unchanged(path: Path, entry: dict[str, Any] | None, keep: _Contents) -> dict[str, Any] | None:
    """What the last backup says of a file, where it is still that one."""
    if entry is None or "facts" in entry or not entry["written_ns"]:
        return None
    try:
        told = path.stat()
    except FileNotFoundError:
        return None
    same = told.st_size == entry["size"] and told.st_mtime_ns == entry["written_ns"]
    return entry if same and keep.holds(entry["sha256"]) else None


def _name(path: Path, data: Path) -> str:
    return path.relative_to(data).as_posix()


def _stores(data: Path) -> list[Path]:
    """The store, and those of workers in the same folder."""
    found = [store_path(data), *sorted((data / "workers").glob(f"*/{STORE_NAME}"))]
    return [path for path in found if path.exists()]


def _others(data: Path) -> Iterator[Path]:
    """All other files that are worth keeping, the journal's segments in their order."""
    stores = set(_stores(data))
    for path in sorted(data.rglob("*")):
        inside = path.relative_to(data)
        if (
            path in stores
            or path.is_symlink()
            or not path.is_file()
            or _LEFT_OUT.intersection(inside.parts)
            or path.name.endswith(_LEFT_OUT_ENDS)
            or ".aside-" in path.name
        ):
            continue
        yield path


def _places(store: Path) -> list[str]:
    with read_window(store.parent) as con:
        rows = con.execute("SELECT DISTINCT place FROM archive_file WHERE place <> ''").fetchall()
    return [place for (place,) in rows]


def _content(of: Path, sha256: str) -> Path:
    return of / _CONTENTS / sha256[:2] / sha256


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _copy_checked(of: Path, entry: dict[str, Any], target: Path, path: str) -> None:
    content = _content(of, entry["sha256"])
    digest = hashlib.sha256()
    try:
        source = content.open("rb")
    except FileNotFoundError as error:
        raise StoreError(
            f"{path} is missing in the backup ({content.name}).",
            "Restore another backup by its name, into an empty folder.",
        ) from error
    with source, target.open("wb") as file:
        target.chmod(int(entry["mode"]) | 0o600)
        while piece := source.read(_PIECE):
            digest.update(piece)
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    if digest.hexdigest() != entry["sha256"]:
        raise StoreError(
            f"{path} is damaged in the backup.",
            "Restore another backup by its name, into an empty folder.",
        )
