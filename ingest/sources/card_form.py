"""What a card file is, from its head: CSV, Parquet or SenML, long or wide, and its columns.

Long is ``time,channel,value`` with an optional ``unit``; wide is ``time`` and one column a channel
with the unit in its name.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from ingest.errors import ImportRefused
from ingest.sources.card_columns import Column, column_of, plain
from ingest.sources.card_senml import is_senml

_TIME_NAMES = ("time", "timestamp", "time_utc", "datetime", "date_time", "time_s", "time_ms")

Layout = Literal["wide", "long"]
Kind = Literal["csv", "parquet", "senml"]


class Options(NamedTuple):
    """How to read a card file.

    Parameters
    ----------
    zone : ZoneInfo
        The site's zone.
    naive_utc : bool or None
        Times without a zone are UTC (true) or the site's wall clock (false); ``None``: the wall
        clock in CSV, UTC in Parquet.
    atmosphere_pa : float or None
        What to take off absolute pressures; ``None``: they are refused. [Pa]
    latest_us : int
        Later instants are a clock that is wrong. [us since 1970 UTC]
    pot : str
        The pot the card was on; a SenML log names it itself, and must name this one.
    """

    zone: ZoneInfo
    naive_utc: bool | None
    atmosphere_pa: float | None
    latest_us: int
    pot: str = ""


class Form(NamedTuple):
    """What a card file turned out to be.

    Parameters
    ----------
    path : Path
        The file.
    kind, layout : str
        ``csv``, ``parquet`` or ``senml``; ``wide`` or ``long``.
    headings : tuple of str
        As the file has them.
    time : int
        Index of the time heading.
    columns : tuple of Column
        Of a wide file, without the time; empty for a long one, and for a SenML log, whose slices
        have their own.
    ignored : tuple of str
        Headings of a long file that say nothing about a reading.
    separator : str
        Of a CSV.
    first_line : int
        Line of the first row of a CSV.
    rows : int or None
        Known beforehand for Parquet only.
    fast : bool
        Parquet that DuckDB can read straight into the store.
    """

    path: Path
    kind: Kind
    layout: Layout
    headings: tuple[str, ...]
    time: int
    columns: tuple[Column, ...]
    ignored: tuple[str, ...]
    separator: str
    first_line: int
    rows: int | None
    fast: bool


def card_files(given: Sequence[Path]) -> list[Path]:
    """The files meant by files and folders; those of a folder in order of their paths.

    Raises
    ------
    ImportRefused
        One is not there, or a folder holds no file of a card.
    """
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in _ENDINGS)
            if not inside:
                raise ImportRefused(
                    f"The folder {path} holds no CSV, Parquet or SenML file.", "Name the files."
                )
            found += inside
        elif path.is_file():
            found.append(path)
        else:
            raise ImportRefused(f"There is no file {path}.", "Look at how it is spelled.")
    return list(dict.fromkeys(found))


_ENDINGS: dict[str, Kind] = {
    ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".parquet": "parquet", ".pq": "parquet",
    ".senml": "senml", ".senmlc": "senml", ".jsonl": "senml", ".cbor": "senml",
}  # fmt: skip


def inspect(path: Path, options: Options, kind: str = "auto") -> Form:
    """Find out what a card file is, from its head.

    Parameters
    ----------
    path : Path
        The file.
    options : Options
        How to read it.
    kind : str
        ``csv``, ``parquet``, ``senml``, or ``auto``: by its first bytes.

    Raises
    ------
    ImportRefused
        It cannot be read or taken as a whole: no time, no unit, absolute pressures.
    """
    try:
        with path.open("rb") as file:
            head = file.read(64)
            is_parquet = head[:4] == b"PAR1"
    except OSError as error:
        raise ImportRefused(
            f"The file {path} cannot be read: {error.strerror}.", "Check its permissions."
        ) from error
    if kind == "parquet" or (kind == "auto" and is_parquet):
        return _inspect_parquet(path, options)
    if is_parquet:
        raise ImportRefused(f"{path.name} is a Parquet file.", "Leave --format out.")
    if kind == "senml" or (kind == "auto" and is_senml(head)):
        return Form(path, "senml", "wide", (), 0, (), (), "", 1, None, False)
    return _inspect_csv(path, options)


def _form(
    path: Path, kind: Kind, headings: Sequence[str], options: Options, separator: str = ",",
    first_line: int = 1, rows: int | None = None,
) -> Form:  # fmt: skip
    names = [plain(heading) for heading in headings]
    times = [names.index(name) for name in _TIME_NAMES if name in names]
    if not times:
        raise ImportRefused(
            f"{path.name} has no column `time`; it has {', '.join(headings) or 'nothing'}.",
            "Name the column with the time of each row `time`.",
        )
    if len(set(names)) < len(names):
        double = next(name for name in names if names.count(name) > 1)
        raise ImportRefused(f'{path.name} has the column "{double}" twice.', "Rename one.")
    time = times[0]
    if {"channel", "value"} <= set(names):
        ignored = tuple(
            heading
            for index, heading in enumerate(headings)
            if index != time and names[index] not in ("channel", "value", "unit")
        )
        return Form(path, kind, "long", tuple(headings), time, (), ignored, separator, first_line,
                    rows, False)  # fmt: skip
    columns, faults = [], []
    for index, heading in enumerate(headings):
        if index == time:
            continue
        try:
            columns.append(gauge(column_of(heading), options))
        except ValueError as error:
            faults.append(str(error))
    if faults:
        raise ImportRefused(f"{path.name} cannot be taken: {'; '.join(faults)}.", _UNIT_STEP)
    if not columns:
        raise ImportRefused(
            f"{path.name} has no column but the time.", "Add one a channel, such as pot_kpa."
        )
    keys = [(column.channel, column.unit) for column in columns]
    if len(set(keys)) < len(keys):
        double = next(c.channel for c in columns if keys.count((c.channel, c.unit)) > 1)
        raise ImportRefused(
            f"{path.name} has more than one column for {double}.", "Leave out all but one."
        )
    return Form(path, kind, "wide", tuple(headings), time, tuple(columns), (), separator,
                first_line, rows, False)  # fmt: skip


_UNIT_STEP = "Name each column after its channel and unit, such as pot_kpa or supply_psi."


def gauge(column: Column, options: Options) -> Column:
    """A column of gauge pressures; an absolute one has the air pressure taken off.

    Raises
    ------
    ValueError
        It is absolute, and the air pressure at the site is not given.
    """
    if not column.absolute:
        return column
    if options.atmosphere_pa is None:
        raise ValueError(
            f'"{column.name}" is an absolute pressure and Gritbook keeps gauge pressures; give the '
            "air pressure at the site with --atmosphere-kpa, such as 101.3, to take it off"
        )
    return column._replace(offset=column.offset - options.atmosphere_pa, absolute=False)


def _inspect_csv(path: Path, options: Options) -> Form:
    with path.open("rb") as file:
        head = file.read(1 << 16).decode("utf-8-sig", errors="replace")
    for number, line in enumerate(head.splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        separator = max(",;\t", key=line.count)
        headings = next(csv.reader([line], delimiter=separator))
        return _form(path, "csv", headings, options, separator, number + 1)
    raise ImportRefused(f"{path.name} is empty.", "Name a file with a heading and rows.")


def _inspect_parquet(path: Path, options: Options) -> Form:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            schema, rows = file.schema_arrow, file.metadata.num_rows
    except (pa.ArrowException, OSError) as error:
        raise ImportRefused(
            f"{path.name} is not a Parquet file that can be read: {str(error).splitlines()[0]}",
            "It may not have been closed properly; copy it from the card again.",
        ) from error
    form = _form(path, "parquet", schema.names, options, rows=rows)
    time_type = schema.field(form.time).type
    plain_time = (
        pa.types.is_timestamp(time_type) and (time_type.tz or options.naive_utc is not False)
    ) or pa.types.is_integer(time_type)
    # Text must be read cell by cell, and a wall clock's times be told apart twice a year.
    fast = (
        form.layout == "wide"
        and plain_time
        and all(
            pa.types.is_integer(field.type)
            or pa.types.is_floating(field.type)
            or (pa.types.is_boolean(field.type) and plain(field.name) == "deadman")
            for index, field in enumerate(schema)
            if index != form.time
        )
    )
    return form._replace(fast=fast)
