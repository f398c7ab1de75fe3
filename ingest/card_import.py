"""Card files into the store: whole or not at all, and never twice.

A file is taken slice by slice, each in a short write window. Until the last one its row of
``import_file`` is marked as begun; an import that was cut off is taken up again under the same
number. What is in the store already changes nothing, whichever way it came.

How a slice gets into the tables is in :mod:`ingest.store.card_slice`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.config import Yard
from ingest.errors import ImportRefused
from ingest.sources.card_form import Options, card_files, inspect
from ingest.sources.files import SLICE_ROWS, Slice, slices
from ingest.store.card_slice import (
    Outcome,
    SliceWriter,
    count_stored,
    look_at,
    refuse_hopeless,
    rows_of,
)
from ingest.store.connection import DEFAULT_WAIT_S, read_window, store_path, write_window
from ingest.yard_faults import ended, suggestion

if TYPE_CHECKING:
    import duckdb

_BEGUN = "begun:"

#: How far ahead of this computer's clock a card's time may be. [s]
_AHEAD_S = 86_400

Progress = Callable[[Path, float], None]


def bring_in(
    data: Path,
    yard: Yard,
    given: Sequence[Path],
    pot: str,
    *,
    kind: str = "auto",
    naive_utc: bool | None = None,
    atmosphere_pa: float | None = None,
    dry_run: bool = False,
    progress: Progress | None = None,
    wait_s: float = DEFAULT_WAIT_S,
) -> list[Outcome]:
    """Bring card files of one pot into the store.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file, for its zone and pots.
    given : sequence of Path
        Files, and folders whose CSV, Parquet and SenML files are all taken.
    pot : str
        The pot they are of.
    kind : str
        ``csv``, ``parquet``, ``senml`` or ``auto``.
    naive_utc : bool or None
        Whether times without a zone are UTC; ``None``: in Parquet yes, in CSV no.
    atmosphere_pa : float or None
        What to take off absolute pressures. [Pa]
    dry_run : bool
        Write nothing; only say what would be done.
    progress : callable, optional
        Called with a file and the fraction of all files that is done.
    wait_s : float
        How long to wait for the store, each time. [s]

    Returns
    -------
    list of Outcome
        One a file, in order.

    Raises
    ------
    ImportRefused
        There is no such pot, or a file cannot be taken as a whole. Files before it stay in.
    StoreBusy, StoreError
        As of the store's windows.
    """
    if pot not in yard.pot_names:
        raise ImportRefused(
            ended(f'There is no pot "{pot}"{suggestion(pot, yard.pot_names)}'),
            "Pots are named in the yard file.",
        )
    now = dt.datetime.now(dt.UTC)
    options = Options(
        yard.site.zone, naive_utc, atmosphere_pa,
        int((now.timestamp() + _AHEAD_S) * 1_000_000), pot,
    )  # fmt: skip
    outcomes = [Outcome(path) for path in card_files(given)]
    if dry_run:
        for number, outcome in enumerate(outcomes):
            tell = partial(_tell, progress, outcome.path, number, len(outcomes))
            _look(data, pot, outcome, kind, options, tell, wait_s)
    else:
        _Taking(data, pot, kind, options, progress, wait_s, now).take(outcomes)
    return outcomes


def _tell(progress: Progress | None, path: Path, number: int, of: int, done: float) -> None:
    if progress is not None:
        progress(path, (number + done) / of)


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ImportRefused(
            f"The file {path} cannot be read: {error.strerror}.", "Check its permissions."
        ) from error


# --- for real --------------------------------------------------------------------------------


def _brought_in(data: Path, pot: str, wait_s: float) -> dict[str, dt.datetime]:
    """Digests of the files of a pot that are in, and since when."""
    if not store_path(data).exists():
        return {}
    with write_window(data, wait_s) as con:
        found = con.execute(
            "SELECT sha256, imported_at FROM import_file WHERE pot = ?", [pot]
        ).fetchall()
    return {digest: at.replace(tzinfo=dt.UTC) for digest, at in found}


class _Taking:
    """Takes files in; small ones that follow one another share a write window.

    Opening, committing and closing costs as much as some hundred thousand readings.
    """

    def __init__(
        self, data: Path, pot: str, kind: str, options: Options, progress: Progress | None,
        wait_s: float, now: dt.datetime,
    ) -> None:  # fmt: skip
        self._data, self._pot, self._kind, self._options = data, pot, kind, options
        self._progress, self._wait_s, self._now = progress, wait_s, now

    def take(self, outcomes: Sequence[Outcome]) -> None:
        known = _brought_in(self._data, self._pot, self._wait_s)
        group: list[tuple[Outcome, str]] = []
        rows = 0
        for number, outcome in enumerate(outcomes):
            digest = _sha256(outcome.path)
            outcome.brought_in_at = known.get(digest)
            if outcome.brought_in_at is None:
                known[digest] = self._now
                try:
                    outcome.form = inspect(outcome.path, self._options, self._kind)
                except ImportRefused:
                    self._take_group(group)  # files before it stay in
                    raise
                more = outcome.form.rows if outcome.form.rows is not None else SLICE_ROWS
                if rows + more > SLICE_ROWS:
                    self._take_group(group)
                    group, rows = [], 0
                group.append((outcome, digest))
                rows += more
            if rows >= SLICE_ROWS:
                self._take_group(group, partial(_tell, self._progress, outcome.path, number,
                                                len(outcomes)))  # fmt: skip
                group, rows = [], 0
            _tell(self._progress, outcome.path, number, len(outcomes), 1.0)
        self._take_group(group)

    def _take_group(
        self, group: Sequence[tuple[Outcome, str]], tell: Callable[[float], None] | None = None
    ) -> None:
        if len(group) > 1:
            try:
                with write_window(self._data, self._wait_s) as con:
                    for outcome, digest in group:
                        for piece, is_last in self._pieces(outcome):
                            self._put(con, outcome, digest, piece, is_last)
            except ImportRefused:
                # One of them cannot be taken, and nothing of the others is in: one at a time then.
                for outcome, _ in group:
                    outcome.begin_again()
            else:
                return
        for outcome, digest in group:
            for piece, is_last in self._pieces(outcome):
                with write_window(self._data, self._wait_s) as con:
                    self._put(con, outcome, digest, piece, is_last)
                if tell is not None:
                    tell(piece.done)

    def _pieces(self, outcome: Outcome) -> Iterator[tuple[Slice, bool]]:
        assert outcome.form is not None
        return _with_last(slices(outcome.form, self._options))

    def _put(
        self, con: duckdb.DuckDBPyConnection, outcome: Outcome, digest: str, piece: Slice,
        is_last: bool,
    ) -> None:  # fmt: skip
        import_id = _begin(con, digest, outcome, self._pot, self._now)
        with rows_of(con, piece) as rows:
            seen = look_at(con, rows, piece, outcome)
            refuse_hopeless(outcome)
            SliceWriter(con, rows, piece, outcome, self._pot, import_id, self._now).write(seen)
        if is_last:
            _finish(con, digest, outcome, self._pot, import_id, self._now)


def _with_last(pieces: Iterator[Slice]) -> Iterator[tuple[Slice, bool]]:
    before: Slice | None = None
    for piece in pieces:
        if before is not None:
            yield before, False
        before = piece
    if before is not None:
        yield before, True


def _begin(
    con: duckdb.DuckDBPyConnection, digest: str, outcome: Outcome, pot: str, now: dt.datetime
) -> int:
    """The file's number: the one it has already, or a new one."""
    found = con.execute(
        "SELECT import_id FROM import_file WHERE sha256 = ? AND pot = ?", [_BEGUN + digest, pot]
    ).fetchall()
    if found:
        if not outcome.rows:
            # It was cut off half way. Its readings will be found repeated; its refusals come anew.
            con.execute("DELETE FROM quarantine WHERE message_id = ?", [-found[0][0]])
        return int(found[0][0])
    ((number,),) = con.execute("SELECT coalesce(max(import_id), 0) + 1 FROM import_file").fetchall()
    con.execute(
        "INSERT INTO import_file VALUES (?, ?, ?, ?, ?, 0, 0, 0)",
        [number, outcome.path.name, _BEGUN + digest, pot, now.replace(tzinfo=None)],
    )
    return int(number)


def _finish(
    con: duckdb.DuckDBPyConnection, digest: str, outcome: Outcome, pot: str, import_id: int,
    now: dt.datetime,
) -> None:  # fmt: skip
    refused = outcome.refused + outcome.conflicts
    con.execute(
        "UPDATE import_file SET sha256 = ?, readings = ?, repeated = ?, refused = ? "
        "WHERE import_id = ?",
        [digest, outcome.readings, outcome.repeated, refused, import_id],
    )
    con.execute(
        "INSERT INTO source_count VALUES ('card', ?, 1, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
        "messages = messages + 1, readings = readings + excluded.readings, "
        "repeated = repeated + excluded.repeated, "
        "quarantined = quarantined + excluded.quarantined, "
        "last_arrived_at = excluded.last_arrived_at",
        [pot, outcome.readings, outcome.repeated, refused, now.replace(tzinfo=None)],
    )


# --- dry run ---------------------------------------------------------------------------------


def _look(
    data: Path, pot: str, outcome: Outcome, kind: str, options: Options,
    tell: Callable[[float], None], wait_s: float,
) -> None:  # fmt: skip
    """Find out what bringing a file in would do. Writes nothing."""
    import duckdb

    there = store_path(data).exists()
    if there:
        digest = _sha256(outcome.path)
        with read_window(data, wait_s) as con:
            found = con.execute(
                "SELECT imported_at FROM import_file WHERE sha256 = ? AND pot = ?", [digest, pot]
            ).fetchall()
        outcome.brought_in_at = found[0][0].replace(tzinfo=dt.UTC) if found else None
    outcome.form = inspect(outcome.path, options, kind)
    for piece in slices(outcome.form, options):
        if there:
            with read_window(data, wait_s) as con, rows_of(con, piece) as rows:
                look_at(con, rows, piece, outcome)
                count_stored(con, rows, piece, outcome, pot)
        else:
            with duckdb.connect() as con, rows_of(con, piece) as rows:
                look_at(con, rows, piece, outcome)
        tell(piece.done)
    refuse_hopeless(outcome)
    outcome.readings = sum(outcome.counts.values()) - outcome.repeated - outcome.conflicts
