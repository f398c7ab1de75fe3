"""`gritbook record`: what people enter about abrasive, stops, money and the signature."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.options import DataOption, YardOption
from dashboard.commands.record import AtOption, ByOption, LateOption, NoteOption, add_record, app


@app.command("abrasive-kind")
def abrasive_kind(
    name: Annotated[str, typer.Argument(help="Name, as bags tipped will name it.")],
    bulk_kg_m3: Annotated[
        float | None, typer.Option("--bulk-kg-m3", help="Density as it lies. [kg/m3]")
    ] = None,
    particle_kg_m3: Annotated[
        float | None, typer.Option("--particle-kg-m3", help="Density of the grains. [kg/m3]")
    ] = None,
    price_kg: Annotated[
        float | None, typer.Option("--price-kg", help="Price of a kilogram.")
    ] = None,
    bag_kg: Annotated[float | None, typer.Option("--bag-kg", help="What a bag holds. [kg]")] = None,
    recycled: Annotated[
        bool, typer.Option("--recycled", help="It was used before and cleaned.")
    ] = False,
    reorder_kg: Annotated[
        float | None, typer.Option("--reorder-kg", help="Order more at or under this. [kg]")
    ] = None,
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a kind of abrasive."""
    body = {
        "abrasive": name, "bulk_kg_m3": bulk_kg_m3, "particle_kg_m3": particle_kg_m3,
        "price_kg": price_kg, "bag_kg": bag_kg, "recycled": recycled, "reorder_kg": reorder_kg,
        "note": note,
    }  # fmt: skip
    add_record("abrasive_kind", body, by, yard, data)


@app.command()
def move(
    what: Annotated[str, typer.Argument(help="delivered, returned, swept, counted or disposed.")],
    kg: Annotated[float, typer.Argument(help="How much. [kg]")],
    kind: Annotated[str, typer.Option("--kind", help="What it is, such as garnet 30/60.")],
    goes: Annotated[str, typer.Option("--goes", help="Of what was swept up: waste or reuse.")] = "",
    pot: Annotated[str, typer.Option("--pot", help="Pot that it was taken back out of.")] = "",
    shift: Annotated[str, typer.Option("--shift", help="Shift.")] = "",
    batch: Annotated[str, typer.Option("--batch", help="What the delivery says.")] = "",
    at: AtOption = "",
    note: NoteOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter abrasive delivered, taken back, swept up, counted, or waste taken away."""
    body = {
        "abrasive": kind, "move": what, "kg": kg, "goes": goes, "pot": pot, "shift": shift,
        "batch": batch, "at": at, "note": note,
    }  # fmt: skip
    add_record("abrasive_move", body, by, yard, data, late)


@app.command()
def stop(
    reason: Annotated[
        str,
        typer.Argument(
            help="refill, air, move, set_up, weather, break, inspection, breakdown, upkeep, other."
        ),
    ],
    pot: Annotated[str, typer.Option("--pot", help="Pot.")],
    from_at: Annotated[str, typer.Option("--from", help="Begin, such as 2026-05-04T09:00.")],
    to_at: Annotated[str, typer.Option("--to", help="End.")],
    note: NoteOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter why nobody blasted for a while."""
    body = {"pot": pot, "from_at": from_at, "to_at": to_at, "stop_for": reason, "note": note}
    add_record("stop_reason", body, by, yard, data, late)


@app.command("job-change")
def job_change(
    shift: Annotated[str, typer.Argument(help="Shift.")],
    job: Annotated[str, typer.Option("--job", help="Job that it went on with.")],
    from_at: Annotated[str, typer.Option("--from", help="From when, such as 2026-05-04T11:00.")],
    note: NoteOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter that a shift went on with another job; it stays one shift."""
    body = {"shift": shift, "job": job, "from_at": from_at, "note": note}
    add_record("job_change", body, by, yard, data, late)


@app.command()
def fuel(
    litres: Annotated[float, typer.Argument(help="How much. [l]")],
    shift: Annotated[str, typer.Option("--shift", help="Shift.")],
    at: AtOption = "",
    note: NoteOption = "",
    late: LateOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter fuel burnt in a shift."""
    body = {"shift": shift, "litres": litres, "at": at, "note": note}
    add_record("fuel", body, by, yard, data, late)


@app.command()
def price(
    what: Annotated[
        str,
        typer.Argument(
            help="wage_h (a paid hour of one person), fuel_l (a litre) or waste_kg (a kilogram)."
        ),
    ],
    amount: Annotated[float, typer.Argument(help="In the site's currency.")],
    from_at: Annotated[str, typer.Option("--from", help="From when on, such as 2026-01-01.")],
    crew: Annotated[str, typer.Option("--crew", help="A wage of this crew only.")] = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Enter a price or a wage; abrasive has its price with its kind."""
    body = {"price_of": what, "price": amount, "from_at": from_at, "crew": crew, "note": note}
    add_record("price", body, by, yard, data)


@app.command()
def sign(
    shift: Annotated[str, typer.Argument(help="Shift whose sheet is right.")],
    again: Annotated[
        str, typer.Option("--again", help="Sign what stands there now; say why.")
    ] = "",
    note: NoteOption = "",
    by: ByOption = "",
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Sign a shift's sheet: what changes later is shown on it as changed after signing."""
    from dashboard.commands.options import data_folder, sentences, yard_path

    with sentences():
        from analytics.pipeline import utc_now
        from analytics.sheets import shift_sheet
        from dashboard.signing import signature_of
        from ingest import records
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        checked, folder = load_yard(yard_path(yard, data)), data_folder(data)
        with read_window(folder) as con:
            sheet = shift_sheet(con, checked, shift, utc_now())
        body = signature_of(sheet, note)
        if again:
            if sheet.signed is None:
                typer.echo("It was not signed yet; leave --again out.")
                raise typer.Exit(1)
            saved = records.correct(folder, checked, sheet.signed.record_id, body, by, again)
        else:
            saved = records.add(folder, checked, "signature", body, by, "command")
        typer.echo(f"Signed as {saved}.")
