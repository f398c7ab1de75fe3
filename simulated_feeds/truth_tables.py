"""What really happened, as tables: gathered while a history is made, then written as Parquet."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq


@dataclass(slots=True)
class Truth:
    """The truth tables, gathered while the history is made.

    Attributes
    ----------
    rows : dict of str to list of dict
        Small tables, row by row.
    pieces : dict of str to list of pyarrow.Table
        Large tables, a shift at a time.
    """

    rows: dict[str, list[dict[str, object]]] = field(default_factory=dict)
    pieces: dict[str, list[pa.Table]] = field(default_factory=dict)

    def add(self, table: str, **row: object) -> None:
        """Add a row to a small table.

        Parameters
        ----------
        table : str
            Name of the table.
        **row : object
            Column to value.
        """
        self.rows.setdefault(table, []).append(row)

    def add_columns(self, table: str, columns: dict[str, object]) -> None:
        """Add columns of equal length to a large table; NaN and NaT are written as null.

        Parameters
        ----------
        table : str
            Name of the table.
        columns : dict of str to sequence
            Column to values.
        """
        arrays = {
            name: pa.array(values, from_pandas=isinstance(values, np.ndarray))
            for name, values in columns.items()
        }
        self.pieces.setdefault(table, []).append(pa.table(arrays))

    def take(self, other: Truth) -> None:
        """Add all of another's tables to these.

        Parameters
        ----------
        other : Truth
            Left as it is.
        """
        for name, rows in other.rows.items():
            self.rows.setdefault(name, []).extend(rows)
        for name, pieces in other.pieces.items():
            self.pieces.setdefault(name, []).extend(pieces)

    def count(self, table: str) -> int:
        """Give how many rows a table has.

        Parameters
        ----------
        table : str
            Name of the table; one that is not there has none.
        """
        if table in self.pieces:
            return sum(piece.num_rows for piece in self.pieces[table])
        return len(self.rows.get(table, []))

    def write(self, folder: Path) -> None:
        """Write each table as `folder/<name>.parquet`.

        Parameters
        ----------
        folder : Path
            Made when missing.
        """
        folder.mkdir(parents=True, exist_ok=True)
        for name, rows in sorted(self.rows.items()):
            # rows of a table need not all have the same keys, and pyarrow looks at the first only
            keys = list(dict.fromkeys(key for row in rows for key in row))
            columns = {key: [row.get(key) for row in rows] for key in keys}
            pq.write_table(pa.table(columns), folder / f"{name}.parquet")
        for name, pieces in sorted(self.pieces.items()):
            pq.write_table(pa.concat_tables(pieces), folder / f"{name}.parquet")
