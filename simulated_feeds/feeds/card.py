"""Write readings as the CSV a box leaves on its memory card."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO

from ..wire import FAST_CHANNELS, Second

COLUMNS = (
    "time", "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa", "deadman", "air_temp_c",
    "humidity_percent", "steel_temp_c", "pot_mass_kg", "seq",
)  # fmt: skip
SLOW_COLUMNS = {
    "air_temp": "air_temp_c", "humidity": "humidity_percent", "steel_temp": "steel_temp_c",
    "pot_mass": "pot_mass_kg",
}  # fmt: skip


class CardFeed:
    """A card's CSV: a row an instant, `time` in ISO 8601 UTC, an empty field where not measured.

    Loop currents go into columns ending in `_ma` instead of `_pa`.

    Parameters
    ----------
    path : Path
        Written from the start.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.sent = 0
        self._file: IO[str] | None = None
        self._rows: csv.DictWriter[str] | None = None

    @classmethod
    def from_url(cls, target: str) -> CardFeed:
        """Read `card:PATH`.

        Parameters
        ----------
        target : str
            As on the command line.

        Raises
        ------
        ValueError
            When there is no path.
        """
        path = target.removeprefix("card:")
        if not path:
            raise ValueError("a card needs a path: card:FILE.csv")
        return cls(Path(path))

    def open(self) -> None:
        """Open the file; what stood in it is gone."""
        self._file = self.path.open("w", encoding="utf-8", newline="")

    def show(self, second: Second) -> None:
        """Write the rows of a second.

        Parameters
        ----------
        second : Second
            The readings.
        """
        if self._file is None:
            raise ValueError("the card is not open")
        ending = "_ma" if second.unit == "mA" else "_pa"
        if self._rows is None:
            columns = [column.replace("_pa", ending) for column in COLUMNS]
            self._rows = csv.DictWriter(self._file, columns, restval="", lineterminator="\r\n")
            self._rows.writeheader()
        from_at = datetime.fromtimestamp(second.from_s, UTC)
        fast = {name: second.fast[name].tolist() for name in FAST_CHANNELS if name in second.fast}
        for index, offset_s in enumerate(second.offsets_s.tolist()):
            at = from_at + timedelta(seconds=offset_s)
            row: dict[str, object] = {
                "time": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
                "deadman": int(second.deadman[index]),
                "seq": second.seq,
            }
            row |= {f"{name}{ending}": f"{values[index]:g}" for name, values in fast.items()}
            if index == 0:
                row |= {SLOW_COLUMNS[name]: value for name, value in second.slow.items()}
            self._rows.writerow(row)
        self.sent += 1

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None
