"""One transaction: committed at its end, and taken back whole on any other way out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Begin, and commit where nothing was raised within.

    Ctrl-C too must leave no half of a change; whatever it was goes on to the caller. Where the disk
    failed DuckDB has rolled back by itself and says so; what matters is the first error.
    """
    import duckdb

    con.begin()
    committed = False
    try:
        yield
        con.commit()
        committed = True
    finally:
        if not committed:
            with suppress(duckdb.Error):
                con.rollback()
