"""`gritbook record`: parts fitted and taken off, checks signed off, the start of a shift."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences
from dashboard.commands.record import AtOption, ByOption, NoteOption, add_record, app

_PART = "Kind of part, such as pinch_hose."
PotOption = Annotated[str, typer.Option("--pot", help="Pot.")]
PositionOption = Annotated[
    str,
    typer.Option("--position", help="Where on the pot, such as left; by default the usual place."),
]
TagOption = Annotated[str, typer.Option("--tag", help="What is stamped or painted on it.")]
PhotoOption = Annotated[
    Path | None,
    typer.Option("--photo", help="A photo to keep with it: JPEG, PNG or WebP.", show_default=False),
]
ItemsOption = list[str] | None


def _caution(part: str) -> None:
    """What stands with every task on a part, on standard error, so that output stays clean."""
    from ingest.parts import caution_of

    typer.secho(caution_of(part), fg=typer.colors.YELLOW, err=True)


def _kept(photo: Path | None, data: Path | None) -> str:
    """The name that a photo is kept under; empty: there is none."""
    if photo is None:
        return ""
    from ingest import photos
    from ingest.errors import RecordRefused

    try:
        content = photo.read_bytes()
    except OSError as error:
        raise RecordRefused(
            f"The photo {photo} cannot be read: {error.strerror}.",
            "Name another file, or leave it out.",
        ) from error
    return photos.keep(data_folder(data), content)


@app.command()
def fitted(
    part: Annotated[str, typer.Argument(help=_PART)],
    pot: PotOption,
    position: PositionOption = "",
    tag: TagOption = "",
    at: AtOption = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a part put on a pot; one whose tag is on another pot has moved here."""
    _caution(part)
    body = {"pot": pot, "part": part, "position": position, "at": at, "tag": tag, "note": note}
    add_record("part_fitted", body, by, yard, data)


@app.command()
def removed(
    part: Annotated[str, typer.Argument(help=_PART)],
    because: Annotated[str, typer.Argument(help="worn, failed, good (still good) or other.")],
    pot: PotOption,
    position: PositionOption = "",
    tag: TagOption = "",
    at: AtOption = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a part taken off a pot."""
    _caution(part)
    body = {
        "pot": pot, "part": part, "position": position, "because": because, "at": at, "tag": tag,
        "note": note,
    }  # fmt: skip
    add_record("part_removed", body, by, yard, data)


@app.command()
def check(
    part: Annotated[str, typer.Argument(help=_PART)],
    result: Annotated[str, typer.Argument(help="good, worn, replaced or failed.")],
    pot: PotOption,
    position: PositionOption = "",
    rule: Annotated[
        str, typer.Option("--rule", help="The one rule that it was for; by default all of them.")
    ] = "",
    quantity: Annotated[
        str,
        typer.Option(
            "--quantity", help="What was measured: wall_thickness, bore, seat, opens_at …"
        ),
    ] = "",
    value: Annotated[float | None, typer.Option("--value", help="How much, in --unit.")] = None,
    unit: Annotated[str, typer.Option("--unit", help="mm, in, kPa, bar, psi or s.")] = "",
    measured: Annotated[str, typer.Option("--measured", help="The same in words.")] = "",
    new_tag: Annotated[
        str, typer.Option("--new-tag", help="Of a part replaced: the tag of the new one.")
    ] = "",
    photo: PhotoOption = None,
    at: AtOption = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a check that was done.

    Isolate, vent, prove that it is vented, and follow the site's own procedure before a pot or
    hose is opened.
    """
    _caution(part)
    body: dict[str, Any] = {
        "pot": pot, "part": part, "position": position, "rule": rule, "at": at, "result": result,
        "quantity": quantity, "value": value, "unit": unit, "measurement": measured,
        "new_tag": new_tag, "note": note,
    }  # fmt: skip
    with sentences():
        body["photo"] = _kept(photo, data)
    add_record("check", body, by, yard, data)


@app.command()
def start(
    pot: PotOption,
    yes: Annotated[
        ItemsOption,
        typer.Option(
            "--yes",
            help="What is so: plate_relief, screen_lid, whip_checks, drain, blotter, deadman; or "
            "all. Give it again for another.",
        ),
    ] = None,
    no: Annotated[ItemsOption, typer.Option("--no", help="What is not so.")] = None,
    shift: Annotated[str, typer.Option("--shift", help="Shift.")] = "",
    photo: PhotoOption = None,
    at: AtOption = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter what was looked at before a pot is blasted with; what is not named was not done."""
    body: dict[str, Any] = {"pot": pot, "shift": shift, "at": at, "note": note}
    with sentences():
        body |= _answers(yes or [], no or [])
        body["photo"] = _kept(photo, data)
    add_record("shift_start", body, by, yard, data)


def _answers(yes: list[str], no: list[str]) -> dict[str, str]:
    from ingest.errors import RecordRefused
    from ingest.parts import START_ITEMS
    from ingest.yard_faults import suggestion

    answers = dict.fromkeys([item for item in START_ITEMS if "all" in yes], "yes")
    for named, answer in ((yes, "yes"), (no, "no")):
        for item in named:
            if item == "all" and answer == "yes":
                continue
            if item not in START_ITEMS:
                raise RecordRefused(
                    f'There is nothing called "{item}" to look at{suggestion(item, START_ITEMS)}.',
                    f"Name {', '.join(START_ITEMS)}.",
                )
            if answer == "no" and item in yes:
                raise RecordRefused(f"{item} cannot be so and not so.", "Name it once.")
            answers[item] = answer
    return answers


@app.command()
def seal(
    noted: Annotated[
        str, typer.Argument(help="A seal that was printed or noted earlier; is it still so?")
    ] = "",
    data: DataOption = None,
) -> None:
    """Show the seal of all that was entered, or see whether an earlier one still stands.

    The seal is the newest row's number and link: as long as it stands, nothing that was entered up
    to then has been altered, taken out or put in.
    """
    with sentences():
        from ingest.errors import RecordRefused, StoreError
        from ingest.store import record_chain, records_log
        from ingest.store.connection import read_window

        folder = data_folder(data)
        earlier = record_chain.parse_seal(noted) if noted else None
        if noted and earlier is None:
            raise RecordRefused(
                f'"{noted}" is no seal.', "It is a number, a dash and 64 hexadecimal digits."
            )
        with read_window(folder) as con:
            faults = record_chain.faults(con, records_log.read(folder).rows)
            now = record_chain.seal_of(con)
            stands = earlier is None or record_chain.stands(con, earlier)
        for fault in faults:
            typer.secho(fault.what, fg=typer.colors.RED, err=True)
        if not stands:
            raise StoreError(
                f"The seal {noted} does not stand: row {earlier.number if earlier else 0} or one "
                "before it is not what it was then.",
                "Compare with what was printed, with records.log and with copies of the folder.",
            )
        typer.echo(f"{now}")
        if earlier is not None:
            typer.echo(f"The seal of row {earlier.number} still stands.")
        if faults:
            raise typer.Exit(1)
