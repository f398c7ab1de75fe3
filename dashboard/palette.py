"""The two palettes of everything people see; nothing here needs a browser or a page."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Palette:
    """Colours of one of the two looks, as ``#rrggbb``.

    Parameters
    ----------
    ground, surface, line : str
        The page, a card on it, and rules between things.
    ink, quiet : str
        Text, and text that steps back.
    supply, pot, nozzle : str
        Lines of the three pressures.
    blasting, filling, idle : str
        Shares of a shift; no data is hatched in ``quiet``.
    alarm, warn : str
        What is overdue or failed, and what is due soon.
    """

    ground: str
    surface: str
    line: str
    ink: str
    quiet: str
    supply: str
    pot: str
    nozzle: str
    blasting: str
    filling: str
    idle: str
    alarm: str
    warn: str


LIGHT = Palette(
    ground="#E9EDED", surface="#FAFBFB", line="#C2CCCB", ink="#13201F", quiet="#465553",
    supply="#2A7FBF", pot="#6A1B57", nozzle="#B85C00",
    blasting="#6A1B57", filling="#A97A10", idle="#80897A",
    alarm="#A3150F", warn="#7A4B00",
)  # fmt: skip
DARK = Palette(
    ground="#101618", surface="#192124", line="#3A484C", ink="#E9EFEE", quiet="#A5B3B1",
    supply="#3F93DA", pot="#F8CFEF", nozzle="#E88B2D",
    blasting="#F8CFEF", filling="#B8871F", idle="#6B7A76",
    alarm="#FF8F80", warn="#F2BE5C",
)  # fmt: skip
