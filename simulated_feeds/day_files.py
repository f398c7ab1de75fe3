"""A pot's readings as Parquet, a file for each UTC day."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

FAST_COLUMNS = ("supply_pa", "pot_pa", "nozzle_pa")
DAY_US = 86_400_000_000


class DayFiles:
    """Gathers a pot's samples and writes a file for each UTC day they fall in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.day = -1
        self.pieces: list[dict[str, np.ndarray]] = []
        self.slow: list[tuple[np.ndarray, str, np.ndarray]] = []
        self.bytes_written = 0

    def add(
        self, columns: dict[str, np.ndarray], slow: list[tuple[np.ndarray, str, np.ndarray]]
    ) -> None:
        """Add samples in order of time; `columns['time']` is in microseconds, UTC.

        Parameters
        ----------
        columns : dict of str to numpy.ndarray, shape (n,)
            `time` [us], the fast channels [Pa], `deadman`, `seq`.
        slow : list of (numpy.ndarray, str, numpy.ndarray)
            Instants [us], channel, values in the channel's unit.
        """
        times = columns["time"]
        first, last = int(times[0]) // DAY_US, int(times[-1]) // DAY_US
        for day in range(first, last + 1):
            if day != self.day:
                self.flush()
                self.day = day
            low, high = np.searchsorted(times, [day * DAY_US, (day + 1) * DAY_US])
            if high > low:
                self.pieces.append({name: values[low:high] for name, values in columns.items()})
            for instants, channel, values in slow:
                chosen = (instants >= day * DAY_US) & (instants < (day + 1) * DAY_US)
                if chosen.any():
                    self.slow.append((instants[chosen], channel, values[chosen]))

    def flush(self) -> None:
        """Write the day gathered so far."""
        if not self.pieces:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        name = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=self.day)).date().isoformat()
        arrays = {
            column: np.concatenate([piece[column] for piece in self.pieces])
            for column in self.pieces[0]
        }
        table = pa.table(
            {
                "time": pa.array(arrays["time"], pa.timestamp("us")),
                **{column: pa.array(arrays[column], pa.float64()) for column in FAST_COLUMNS},
                "deadman": pa.array(arrays["deadman"], pa.bool_()),
                "seq": pa.array(arrays["seq"], pa.int64()),
            }
        )
        path = self.folder / f"{name}.parquet"
        pq.write_table(
            table,
            path,
            compression="zstd",
            compression_level=1,
            use_dictionary=list(FAST_COLUMNS),
            column_encoding={"time": "DELTA_BINARY_PACKED", "seq": "DELTA_BINARY_PACKED"},
            write_statistics=["time", "seq"],
        )
        self.bytes_written += path.stat().st_size
        slow_path = self.folder / f"slow-{name}.parquet"
        instants = np.concatenate([piece[0] for piece in self.slow])
        channels = [piece[1] for piece in self.slow for _ in range(len(piece[0]))]
        values = np.concatenate([piece[2] for piece in self.slow])
        order = np.argsort(instants, kind="stable")
        slow_table = pa.table(
            {
                "time": pa.array(instants, pa.timestamp("us")),
                "channel": pa.array(channels, pa.string()),
                "value": pa.array(values, pa.float64()),
            }
        ).take(pa.array(order))
        pq.write_table(slow_table, slow_path, compression="zstd", compression_level=1)
        self.bytes_written += slow_path.stat().st_size
        self.pieces, self.slow = [], []
