"""What every report has around what it says: who made it up, cautions, how far to trust it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analytics import frames
from dashboard import key_words, words
from dashboard.reports.content import Block, Heading, Lines, Note

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard


#: Stands in a copy for somebody who may not see money.
WITHOUT_MONEY = "Prices and costs are left out of this copy."


def site_title(yard: Yard) -> str:
    """What people call the site."""
    return yard.site.title or yard.site.name


def as_of(con: duckdb.DuckDBPyConnection, from_at: dt.datetime, now: dt.datetime) -> dt.datetime:
    """Up to when a report of a stretch of time speaks: as far as figures were derived.

    So that it stays the same, to the byte, until there are newer ones; where none were derived
    since the stretch began, up to now. Naive UTC.
    """
    derived_at = frames.store_version(con)[0]
    if derived_at is None or derived_at <= from_at:
        return now
    return min(derived_at, now)


def opening(yard: Yard, caution: str = words.CAUTION) -> list[Block]:
    """What stands before any figure: invented data, the caution, rules looser than usual.

    Parameters
    ----------
    yard : Yard
        The yard file.
    caution : str
        What is said where pressure is touched.
    """
    blocks: list[Block] = []
    if yard.site.invented:
        blocks.append(Note(words.INVENTED, kind="invented"))
    blocks.append(Note("Caution.", caution, "caution"))
    looser = key_words.loosened(yard)
    if looser:
        blocks.append(Note(looser, kind="warn"))
    return blocks


def trust(more: str) -> list[Block]:
    """How far a report can be trusted."""
    return [
        Heading("How far this can be trusted"),
        Lines(
            (
                more,
                "The report's number is made from all that it says: the same contents give the "
                "same number on any paper, and other contents another. Times are the site's. "
                "Nothing here says that a part is fit or that a pot may be opened.",
            )
        ),
    ]
