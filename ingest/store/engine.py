"""DuckDB's engine, kept running from window to window; the store file is not kept open.

To start the engine takes twenty milliseconds of processor time, and to open a store a tenth of
that. So a process starts one engine a store and keeps it, and a window attaches the file and
detaches it again, which gives back the file's lock, and brings the log into the file as closing
does. Who opens a store goes this way: of a file that a process has open twice, closing one gives
back the lock of both.

An engine that saw an error is not used again: after some of them DuckDB refuses all else.
"""

from __future__ import annotations

import atexit
import os
import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

#: What an open store is called in SQL.
CATALOG = "gritbook"
#: Engines that are kept though nobody uses them: gathering goes to and fro between two stores.
_MOST_IDLE = 2
#: Windows after which an engine is ended and another begun: whatever it piles up is given back.
_MOST_WINDOWS = 100

_LOCK = threading.Lock()
_ENGINES: dict[Path, _Engine] = {}
# Of a process that forked: to end them would wait for threads that the fork has not got.
_LEFT_BEHIND: list[_Engine] = []


# Which engine a window's connection is of, by the connection's id, while it is open.
_OF: dict[int, _Engine] = {}


class OpenHere(Exception):
    """This process has the file open in another thread in a way that bars this one; wait."""


class Opened:
    """A store file that is open.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        In the store's catalogue; for the thread that opened it.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, engine: _Engine) -> None:
        self.con = con
        self._engine = engine

    def close(self, spoiled: bool) -> None:
        """Close the connection, and the file where no other thread reads it.

        Parameters
        ----------
        spoiled : bool
            Something was raised, so that the engine is not to be used again.
        """
        try:
            _OF.pop(id(self.con), None)
            self.con.close()
        finally:
            self._engine.leave(spoiled)


def limit_memory(con: duckdb.DuckDBPyConnection, base_mb: int, thread_mb: int) -> None:
    """Let the engine of an open window keep no more of what it has read than so much.

    It holds for as long as the engine runs, and is set only once: each time it is set DuckDB gives
    back whatever memory it has at hand, and asks for it anew.

    Parameters
    ----------
    con : DuckDBPyConnection
        Of an open window.
    base_mb, thread_mb : int
        Altogether, and what more for each of DuckDB's threads. [MB]
    """
    engine = _OF.get(id(con))
    if engine is not None and engine.memory_mb == (base_mb, thread_mb):
        return
    ((threads,),) = con.execute("SELECT current_setting('threads')").fetchall()
    con.execute(f"SET memory_limit = '{base_mb + thread_mb * int(threads)}MB'")
    if engine is not None:
        engine.memory_mb = (base_mb, thread_mb)


class _Engine:
    """An engine for one store. ``users`` and ``spoiled`` change under ``_LOCK`` only."""

    def __init__(self, path: Path) -> None:
        import duckdb

        self.path = path
        self.users = 0
        self.read_only = True
        self.spoiled = False
        self.worn = False
        self.windows = 0
        self.attached = False
        self.memory_mb: tuple[int, int] | None = None
        self._lock = threading.Lock()
        # What does not fit into memory goes beside the store, as when the store itself is opened.
        self._root = duckdb.connect(":memory:", config={"temp_directory": f"{path}.tmp"})
        # What is read of an archive is read once; kept, it would fill the memory of whoever waits.
        self._root.execute(
            "SET GLOBAL TimeZone = 'UTC'; SET GLOBAL enable_external_file_cache = false; "
            # Giving a file back can take a while too, and would draw a bar.
            "SET enable_progress_bar = false"
        )

    def enter(self, path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
        """Attach the file where that is not done; a connection of its own."""
        with self._lock:
            if not self.attached:
                name = str(path).replace("'", "''")
                only = ", READ_ONLY" if read_only else ""
                self._root.execute(f"ATTACH '{name}' AS {CATALOG} (TYPE duckdb{only})")
                self.attached = True
            con = self._root.cursor()
            self.windows += 1
        # On a busy computer DuckDB would draw a bar into whatever standard output is.
        con.execute(f"USE {CATALOG}; SET enable_progress_bar = false")
        return con

    def leave(self, spoiled: bool) -> None:
        """Detach the file where nobody else uses it."""
        import duckdb

        with self._lock:
            with _LOCK:
                self.users -= 1
                self.spoiled |= spoiled
                last = not self.users
                self.worn = last and self.windows >= _MOST_WINDOWS
            if not last:
                return
            if self.attached and not self.spoiled:
                try:
                    self._root.execute(f"DETACH {CATALOG}")
                except duckdb.Error:
                    # What was committed is in the log; ending the engine gives back the file.
                    with _LOCK:
                        self.spoiled = True
                self.attached = False
            if self.spoiled or self.worn:
                # First the file, then the place: who comes next must find it free.
                self._root.close()
                self.attached = False
                with _LOCK:
                    if _ENGINES.get(self.path) is self:
                        del _ENGINES[self.path]

    def end(self) -> None:
        """End an engine that nobody uses."""
        self._root.close()


def open_file(path: Path, read_only: bool) -> Opened:
    """Open a store file, at once or not at all.

    Parameters
    ----------
    path : Path
    read_only : bool

    Raises
    ------
    OpenHere
        Another thread has it open for writing, or has it open and this one wants to write.
    duckdb.Error
        As DuckDB has it: another process holds the file, or it cannot be read.
    """
    import duckdb

    engine = _engine_for(path.resolve(), read_only)
    try:
        con = engine.enter(path, read_only)
        _OF[id(con)] = engine
        return Opened(con, engine)
    except BaseException as error:
        # That the file is held says nothing about the engine, and is what one waits for.
        engine.leave(not isinstance(error, duckdb.IOException | duckdb.ResourceInUseException))
        if isinstance(error, duckdb.ResourceInUseException):
            raise OpenHere from error
        raise


def _engine_for(key: Path, read_only: bool) -> _Engine:
    """The engine of a store, with one user more."""
    with _LOCK:
        engine = _ENGINES.get(key)
        if engine is None:
            _end_idle(_MOST_IDLE - 1)
            engine = _ENGINES[key] = _Engine(key)
        elif (
            engine.spoiled or engine.worn or (engine.users and not (read_only and engine.read_only))
        ):
            raise OpenHere
        # The one that is used last stands last.
        _ENGINES[key] = _ENGINES.pop(key)
        engine.users += 1
        engine.read_only = read_only
        return engine


def _end_idle(keep: int) -> None:
    """End engines that nobody uses, but for those used last."""
    idle = [key for key, one in _ENGINES.items() if not one.users and not one.attached]
    for key in idle[: len(idle) - keep]:
        _ENGINES.pop(key).end()


def _end_all() -> None:
    with _LOCK:
        _end_idle(0)


def _begin_anew() -> None:
    """In the child of a fork: threads are not forked, so no engine runs there."""
    global _LOCK
    _LOCK = threading.Lock()
    _LEFT_BEHIND.extend(_ENGINES.values())
    _ENGINES.clear()
    _OF.clear()


atexit.register(_end_all)
with suppress(AttributeError):
    # Where there is such a thing as a fork.
    os.register_at_fork(after_in_child=_begin_anew)
