"""`gritbook record`: what people enter, from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from dashboard.commands.options import (
    DataOption,
    YardOption,
    data_folder,
    sentences,
    yard_path,
)

app = typer.Typer(
    help="Enter shifts, crews, jobs, area, abrasive, parts fitted and checks, and correct them.",
    no_args_is_help=True,
)

ByOption = Annotated[
    str, typer.Option("--by", envvar="GRITBOOK_BY", help="Who enters it.", show_default=False)
]
AtOption = Annotated[
    str,
    typer.Option(
        "--at", help="When, such as 2026-05-04T06:30; by default now.", show_default=False
    ),
]
NoteOption = Annotated[str, typer.Option("--note", help="Anything worth knowing.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="What was wrong.")]
RecordArgument = Annotated[
    str, typer.Argument(help="Id of the record, or its last characters; see `record list`.")
]


LateOption = Annotated[
    str,
    typer.Option("--late", help="Why it comes after the shift's sheet was signed; needed then."),
]


def add_record(
    kind: str,
    body: dict[str, Any],
    by: str,
    yard: Path | None,
    data: Path | None,
    late: str = "",
) -> None:
    """Enter something, and say as what it is kept."""
    with sentences():
        from ingest import records
        from ingest.config import load_yard

        checked = load_yard(yard_path(yard, data))
        given = {key: value for key, value in body.items() if value not in (None, "")}
        record_id = records.add(data_folder(data), checked, kind, given, by, "command", reason=late)
        typer.echo(f"Saved as {record_id}.")


@app.command()
def shift(
    name: Annotated[str, typer.Argument(help="Name of the shift; no other may have it.")],
    crew: Annotated[str, typer.Option("--crew", help="Crew.")],
    job: Annotated[str, typer.Option("--job", help="Job.")],
    pot: Annotated[list[str], typer.Option("--pot", help="Pot; give it again for another.")],
    from_at: Annotated[str, typer.Option("--from", help="Begin, such as 2026-05-04T06:00.")],
    to_at: Annotated[str, typer.Option("--to", help="End; a night shift ends the next day.")],
    people: Annotated[
        int | None, typer.Option("--people", help="How many; by default the crew's size.")
    ] = None,
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a shift."""
    body = {
        "shift": name, "crew": crew, "job": job, "pots": pot, "from_at": from_at, "to_at": to_at,
        "people": people,
    }  # fmt: skip
    add_record("shift", body, by, yard, data)


@app.command()
def crew(
    name: Annotated[str, typer.Argument(help="Name of the crew.")],
    size: Annotated[int, typer.Option("--size", help="How many people.")],
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a crew."""
    add_record("crew", {"crew": name, "size": size}, by, yard, data)


@app.command()
def job(
    name: Annotated[str, typer.Argument(help="Name of the job.")],
    item: Annotated[str, typer.Option("--item", help="What is blasted.")] = "",
    rust: Annotated[str, typer.Option("--rust", help="Rust grade: A, B, C, D or coated.")] = "",
    prep: Annotated[
        str, typer.Option("--prep", help="Preparation grade: Sa 1, Sa 2, Sa 2.5 or Sa 3.")
    ] = "",
    planned_m2: Annotated[
        float | None, typer.Option("--planned-m2", help="Area expected. [m2]")
    ] = None,
    profile: Annotated[
        str, typer.Option("--profile", help="Profile, ISO 8503-1: fine, medium or coarse.")
    ] = "",
    profile_low_um: Annotated[
        float | None, typer.Option("--profile-low-um", help="Profile wanted, from. [um]")
    ] = None,
    profile_high_um: Annotated[
        float | None, typer.Option("--profile-high-um", help="Profile wanted, to. [um]")
    ] = None,
    coating: Annotated[str, typer.Option("--coating", help="Old coating that comes off.")] = "",
    coating_um: Annotated[
        float | None, typer.Option("--coating-um", help="How thick it is. [um]")
    ] = None,
    access: Annotated[
        str, typer.Option("--access", help="ground, lift, scaffold, rope or confined.")
    ] = "",
    place: Annotated[str, typer.Option("--place", help="indoor or outdoor.")] = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a job."""
    body = {
        "job": name, "item": item, "rust_grade": rust, "prep_grade": prep, "planned_m2": planned_m2,
        "profile": profile, "profile_low_um": profile_low_um, "profile_high_um": profile_high_um,
        "coating": coating, "coating_um": coating_um, "access": access, "place": place,
    }  # fmt: skip
    add_record("job", body, by, yard, data)


@app.command()
def area(
    job: Annotated[str, typer.Option("--job", help="Job.")],
    shift: Annotated[str, typer.Option("--shift", help="Shift.")],
    pot: Annotated[str, typer.Option("--pot", help="Pot.")],
    m2: Annotated[
        float | None, typer.Argument(help="Area done; left out where pieces are counted. [m2]")
    ] = None,
    piece: Annotated[
        list[str] | None,
        typer.Option(
            "--piece",
            help='Pieces done, such as "12, IPE 200, 6" (count, section, length in m) or '
            '"4, plate, 6, 2, 2" (length, width, sides); give it again for others.',
        ),
    ] = None,
    reblast: Annotated[
        bool, typer.Option("--reblast", help="It had been counted before: done over again.")
    ] = False,
    at: AtOption = "",
    note: NoteOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter area done, whole or counted from pieces."""
    with sentences():
        pieces = _counted(piece or [])
    body = {
        "job": job, "shift": shift, "pot": pot, "area_m2": m2, "at": at, "note": note,
        "pieces": pieces or None, "reblast": reblast or None,
    }  # fmt: skip
    add_record("area", body, by, yard, data, late)


def _counted(typed: list[str]) -> list[dict[str, Any]]:
    """Pieces with the area that follows from their dimensions."""
    from analytics.sections import counted
    from ingest.errors import RecordRefused

    pieces = []
    for text in typed:
        try:
            found = counted(text)
        except ValueError as error:
            raise RecordRefused(
                f"The area done was not taken: {error}.", "Nothing was saved; mend it."
            ) from error
        pieces.append(
            {
                "piece": found.piece, "count": found.count, "each_m2": found.each_m2,
                "length_m": found.length_m,
            }
        )  # fmt: skip
        typer.echo(f"{found.count} x {found.piece}: {found.area_m2:.2f} m2")
    return pieces


@app.command()
def abrasive(
    bags: Annotated[float, typer.Argument(help="Bags tipped.")],
    pot: Annotated[str, typer.Option("--pot", help="Pot.")],
    bag_kg: Annotated[float, typer.Option("--bag-kg", help="What a bag holds. [kg]")] = 25.0,
    kind: Annotated[str, typer.Option("--kind", help="What it is, such as garnet 30/60.")] = "",
    shift: Annotated[str, typer.Option("--shift", help="Shift.")] = "",
    batch: Annotated[str, typer.Option("--batch", help="What the bags say.")] = "",
    at: AtOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter bags tipped into a pot."""
    body = {
        "pot": pot, "at": at, "bags": bags, "bag_kg": bag_kg, "abrasive": kind, "shift": shift,
        "batch": batch,
    }  # fmt: skip
    add_record("abrasive", body, by, yard, data, late)


#: How people call kinds of record that are kept under another name.
_TYPED_KINDS = {"fitted": "part_fitted", "removed": "part_removed", "start": "shift_start"}


@app.command("list")
def list_records(
    kind: Annotated[str, typer.Argument(help="Kind; by default all of them.")] = "",
    history: Annotated[
        str, typer.Option("--history", help="Every row of this record, first entry first.")
    ] = "",
    format_: Annotated[str, typer.Option("--format", help="table or json.")] = "table",
    data: DataOption = None,
) -> None:
    """Show records as they stand now."""
    with sentences():
        from ingest import record_rows
        from ingest.errors import RecordRefused
        from ingest.record_bodies import BODIES
        from ingest.store.connection import read_window

        kind = _TYPED_KINDS.get(kind, kind)
        if kind and kind not in BODIES:
            raise RecordRefused(
                f'There is no kind of record "{kind}".', f"Choose one of {', '.join(BODIES)}."
            )
        if format_ not in ("table", "json"):
            raise RecordRefused(f'There is no format "{format_}".', "Choose table or json.")
        with read_window(data_folder(data)) as con:
            if history:
                rows = record_rows.history(con, history)
            else:
                rows = [
                    row
                    for one in BODIES
                    if kind in ("", one)
                    for row in record_rows.current(con, one)
                ]
        rows.sort(key=lambda row: row["record_id"])
    if format_ == "json":
        typer.echo(
            json.dumps(rows, default=lambda at: at.isoformat(), ensure_ascii=False, indent=1)
        )
        return
    for row in rows:
        typer.echo(_line(row))
    if not rows:
        typer.echo("No records.")


_ROW_KEYS = ("record_id", "kind", "recorded_at", "recorded_by", "via", "supersedes", "withdrawn",
             "reason")  # fmt: skip


def _line(row: dict[str, Any]) -> str:
    said = []
    for key, value in row.items():
        if key in _ROW_KEYS or value in (None, "", []):
            continue
        shown = ", ".join(map(_words_of, value)) if isinstance(value, list) else value
        shown = f"{shown:%Y-%m-%d %H:%M}Z" if key.endswith("_at") or key == "at" else shown
        said.append(f"{key} {shown}")
    what = "withdrawn" if row["withdrawn"] else "; ".join(said)
    why = f" [{row['reason']}]" if row["reason"] else ""
    return (
        f"{row['record_id']}  {row['recorded_at']:%Y-%m-%d %H:%M}Z  {row['recorded_by']}  "
        f"{row['kind']}: {what}{why}"
    )


def _words_of(value: object) -> str:
    if isinstance(value, dict):
        return f"{value['count']} x {value['piece']} of {value['each_m2']:.3f} m2"
    return str(value)


@app.command()
def correct(
    record: RecordArgument,
    changes: Annotated[
        list[str], typer.Argument(help="What to change, as key=value, such as bags=10.")
    ],
    reason: ReasonOption,
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Correct a record: the old row stays, a new one takes its place."""
    with sentences():
        from ingest import record_rows, records
        from ingest.config import load_yard
        from ingest.errors import RecordRefused
        from ingest.record_bodies import BODIES
        from ingest.store.connection import read_window

        checked, folder = load_yard(yard_path(yard, data)), data_folder(data)
        with read_window(folder) as con:
            chain = record_rows.history(con, record)
        standing = next(row for row in reversed(chain) if not row["withdrawn"])
        body = {key: standing.get(key) for key in BODIES[standing["kind"]].model_fields}
        for change in changes:
            key, separator, value = change.partition("=")
            if not separator or key not in body:
                raise RecordRefused(
                    f'"{change}" is no change to this record.',
                    f"Write key=value; it has {', '.join(body)}.",
                )
            body[key] = value.split(",") if key == "pots" else value or None
        body = {key: value for key, value in body.items() if value is not None}
        # The row that was named is the one to be superseded: if somebody was quicker, the
        # correction is refused, not put on top of theirs.
        new = records.correct(folder, checked, record, body, by, reason)
        typer.echo(f"Corrected; it now stands as {new}.")


@app.command()
def withdraw(
    record: RecordArgument,
    reason: ReasonOption,
    by: ByOption = "",
    data: DataOption = None,
) -> None:
    """Take a record away; it stays in the history."""
    with sentences():
        from ingest import records

        new = records.withdraw(data_folder(data), record, by, reason)
        typer.echo(f"Withdrawn ({new}).")


@app.command()
def load(
    file: Annotated[Path, typer.Argument(help="JSON lines: kind, recorded_at, recorded_by, body.")],
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Bring in a file of records, all of it or nothing; a second time changes nothing."""
    with sentences():
        from ingest import records
        from ingest.config import load_yard

        loaded = records.load_file(data_folder(data), load_yard(yard_path(yard, data)), file)
        typer.echo(f"{loaded.added} records added, {loaded.already} were there already.")
