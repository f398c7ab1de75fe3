"""What a signature under a shift's sheet keeps: the figures that the signer saw."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ingest.errors import RecordRefused

if TYPE_CHECKING:
    from analytics.sheets import Sheet


def signature_of(sheet: Sheet, note: str = "") -> dict[str, Any]:
    """The body of a signature under a sheet.

    Raises
    ------
    RecordRefused
        The shift has not ended yet.
    """
    if not sheet.over:
        raise RecordRefused(
            f"The shift {sheet.shift} has not ended yet.", "Sign its sheet once it has."
        )
    figures = {
        name: sheet.total(column)
        for name, column in (
            ("blast_s", "blast_s"), ("area_m2", "area_m2"), ("abrasive_kg", "abrasive_kg"),
        )
    }  # fmt: skip
    known = {name: value for name, value in figures.items() if value is not None}
    return {"shift": sheet.shift, "note": note, **known}
