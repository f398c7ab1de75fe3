"""`gritbook notices` and `gritbook notify`: what wants attention, and telling people of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import (
    Format,
    FormatOption,
    FromOption,
    OutOption,
    PotOption,
    emit,
    known_pots,
    window,
)
from dashboard.commands.record import ByOption

if TYPE_CHECKING:
    import polars as pl

    from ingest.config import Yard

app = typer.Typer(
    help="What wants attention; acknowledge it, put it off, look back.",
    no_args_is_help=False,
)

NoticeArgument = Annotated[str, typer.Argument(help="Id of the notice, or how it begins.")]


def _standing(data: Path | None, since_h: float | None = None) -> pl.DataFrame:
    import datetime as dt

    from analytics import notice_frames
    from analytics.notices import lifecycle
    from analytics.pipeline import utc_now
    from ingest.store.connection import read_window

    now = utc_now()
    since_at = None if since_h is None else now - dt.timedelta(hours=since_h)
    with read_window(data_folder(data)) as con:
        return lifecycle(
            notice_frames.notices(con, since_at), notice_frames.notice_entries(con), now
        )


@app.callback(invoke_without_command=True)
def notices(
    context: typer.Context,
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    every: Annotated[bool, typer.Option("--all", help="Also what is over.")] = False,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Notices: what wants attention, what can hurt people first; one a cause."""
    if context.invoked_subcommand is not None:
        context.obj = (data, yard)
        return
    with sentences():
        import polars as pl

        from dashboard import telling
        from ingest.config import load_yard

        loaded = load_yard(yard_path(yard, data))
        frame = _standing(data).filter(pl.col("pot").is_in(known_pots(loaded, pot)))
        if not every:
            frame = frame.filter(pl.col("state") != "done")
        if form is Format.table:
            frame = frame.with_columns(pl.col("state").replace(telling.STATE_WORDS))
        emit(
            frame, form, out, loaded, title="Notices",
            people={
                "notice_id": "id", "state": "state", "pot": "pot", "words": "what",
                "kind_at": "since", "said": "seen", "step": "do", "by": "by", "until_at": "until",
            },
            note=(
                "A notice that is gone is no word on the state of a pot: a blocked port reads "
                "zero. Isolate, vent, prove it is vented at the pot itself; the site's own "
                "procedure, local code and a competent person decide."
            ),
        )  # fmt: skip
        if form is Format.table:
            _say_troubles(data, loaded)


def _say_troubles(data: Path | None, yard: Yard) -> None:
    from analytics import notice_frames
    from dashboard import telling, time_words, words
    from ingest.store.connection import read_window

    with read_window(data_folder(data)) as con:
        found = telling.troubles(notice_frames.sent(con))
    for channel, count, next_at, trouble in found:
        again = time_words.day_and_time(next_at, yard.site.zone)
        typer.secho(
            f"Not sent to {channel}: {words.counted(count, 'message', 'messages')}. {trouble} "
            f"Tried again from {again} on.",
            fg=typer.colors.YELLOW,
            err=True,
        )


@app.command()
def acknowledge(
    context: typer.Context,
    notice: NoticeArgument,
    by: ByOption = "",
    note: Annotated[str, typer.Option("--note", help="Anything worth knowing.")] = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Acknowledge a notice: somebody knows of it and looks after it."""
    _enter(context, "notice_seen", notice, by, {"note": note}, yard, data)


@app.command("put-off")
def put_off(
    context: typer.Context,
    notice: NoticeArgument,
    until: Annotated[str, typer.Option("--until", help="Such as 2026-05-04T06:30, site time.")],
    why: Annotated[str, typer.Option("--why", help="Why it can wait.")],
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Put a notice off until later; one that can hurt people for a shift at most."""
    _enter(context, "notice_put_off", notice, by, {"until_at": until, "why": why}, yard, data)


def _enter(
    context: typer.Context,
    kind: str,
    notice: str,
    by: str,
    body: dict[str, Any],
    yard: Path | None,
    data: Path | None,
) -> None:
    with sentences():
        from dashboard.telling import about
        from ingest import records
        from ingest.config import load_yard

        data, yard = data or context.obj[0], yard or context.obj[1]
        loaded = load_yard(yard_path(yard, data))
        row = find(_standing(data), notice)
        record_id = records.add(
            data_folder(data), loaded, kind, {**about(row), **body}, by, "command"
        )
        typer.echo(f"Saved as {record_id}.")


def find(standing: pl.DataFrame, typed: str) -> dict[str, Any]:
    """The notice that an id, or its beginning, names.

    Raises
    ------
    RecordRefused
        There is none, or several.
    """
    import polars as pl

    from ingest.errors import RecordRefused

    found = standing.filter(pl.col("notice_id").str.starts_with(typed.strip().lower()))
    if found.height != 1 or not typed.strip():
        many = f"{found.height} notices have" if found.height else "There is no notice with"
        raise RecordRefused(
            f'{many} an id that begins with "{typed}".', "`gritbook notices` lists them."
        )
    return found.row(0, named=True)


@app.command()
def log(
    context: typer.Context,
    pot: PotOption = None,
    from_: FromOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """What became of notices, as it was found: raised, worse, gone, taken back by late data."""
    with sentences():
        import polars as pl

        from analytics import notice_frames
        from dashboard import telling
        from ingest.config import load_yard
        from ingest.notice_kinds import NOTICE_KINDS
        from ingest.store.connection import read_window

        data, yard = data or context.obj[0], yard or context.obj[1]
        loaded = load_yard(yard_path(yard, data))
        from_at, _ = window(loaded, from_, None)
        with read_window(data_folder(data)) as con:
            frame = notice_frames.notice_events(con, from_at)
        frame = frame.filter(pl.col("pot").is_in(known_pots(loaded, pot)))
        if form is Format.table:
            kinds = {kind: known.words for kind, known in NOTICE_KINDS.items()}
            frame = frame.with_columns(
                pl.col("what").replace(telling.EVENT_WORDS), pl.col("kind").replace(kinds)
            )
        emit(
            frame, form, out, loaded, title="What became of notices",
            people={
                "noticed_at": "found", "happened_at": "at the pot", "pot": "pot",
                "what": "what", "kind": "notice", "said": "seen", "late": "found late",
                "notice_id": "id",
            },
        )  # fmt: skip


def notify(
    data: DataOption = None,
    yard: YardOption = None,
    once: Annotated[bool, typer.Option("--once", help="One look, then end.")] = False,
) -> None:
    """Keep notices up to date and send them, where no pages run on this computer."""
    import signal
    import threading

    with sentences():
        from analytics.noticing import derive_notices
        from analytics.pipeline import derive
        from analytics.weighing import weigh_spells
        from dashboard import sending
        from ingest.config import load_yard
        from ingest.errors import YardFileError
        from ingest.store.connection import store_path

        folder, file = data_folder(data), yard_path(yard, data)
        loaded = load_yard(file)
        if not loaded.notices.any:
            raise YardFileError(
                f"{file.name} names nobody to tell: it has no [notices] table.",
                "The template that `gritbook init` writes shows one.",
            )

        def up_to_date(current: Yard) -> None:
            if store_path(folder).exists():
                derive(folder, current)
                weigh_spells(folder, current, most_s=sending.EVERY_S / 2)
                derive_notices(folder, current)

        if once:
            up_to_date(loaded)
            done = sending.send_round(folder, loaded)
            typer.echo(f"Sent: {done.sent}. Failed, and tried again: {done.failed}.")
            if done.failed:
                raise typer.Exit(1)
            return
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        typer.echo("Sending notices (Ctrl-C ends)", err=True)
        sending.keep_sending(folder, file, stop, up_to_date)
