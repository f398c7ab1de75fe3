"""A report made into bytes, and written; the only part of reports that touches a disk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.reports.content import Report
from ingest import photos
from ingest.errors import RecordRefused

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard


def composed(
    con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime, what: str, of: str, money: bool
) -> Report:
    """A report by its kind and by what it is of, as pages ask for it.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC.
    what : str
        Key of :data:`dashboard.reports.content.KINDS`.
    of : str
        The shift, the month as ``2026-11``, or the pot; empty: every pot.
    money : bool
        Whether its reader may see prices and costs.
    """
    from dashboard.reports import month, part_record, shift_sheet, weeks_upkeep

    if what == "shift":
        return shift_sheet.compose(con, yard, of, now, money)
    if what == "month":
        return month.compose(con, yard, of, now, money)
    pots = [of] if of else None
    if what == "upkeep":
        return weeks_upkeep.compose(con, yard, now, pots)
    return part_record.compose(part_record.record_of(con, yard, now, pots), yard, now)


def made(report: Report, kind: str, paper: str = "a4") -> bytes:
    """A report as bytes.

    Parameters
    ----------
    report : Report
        What it says.
    kind : str
        ``pdf`` or ``html``.
    paper : str
        Key of :data:`dashboard.reports.typst_layout.PAPERS`.

    Raises
    ------
    RecordRefused
        It cannot be set.
    """
    if kind == "html":
        from dashboard.reports.web import page

        return page(report, paper).encode("utf-8", "backslashreplace")
    from dashboard.reports.pdf import pdf

    return pdf(report, paper)


def write(content: bytes, to: Path) -> None:
    """Write a report.

    Raises
    ------
    RecordRefused
        It cannot be written there.
    """
    try:
        to.write_bytes(content)
    except OSError as error:
        raise RecordRefused(
            f"The report cannot be written to {to}: {error.strerror}.", "Name another file."
        ) from error


def photos_of(folder: Path) -> Callable[[str], bytes | None]:
    """Gives the photos of a data folder by their names."""

    def photo(name: str) -> bytes | None:
        return photos.read(folder, name)

    return photo
