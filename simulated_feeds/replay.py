"""Read a yard's history back as the seconds its box sent, to send them again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from .wire import Second

FAST_CHANNELS = {"supply": "supply_pa", "pot": "pot_pa", "nozzle": "nozzle_pa"}


def history_days(folder: Path, pot: str) -> list[str]:
    """Give the days of which a history holds readings of a pot, in order.

    Parameters
    ----------
    folder : Path
        A history, as `history.write_history` writes it.
    pot : str
        The pot.

    Raises
    ------
    FileNotFoundError
        When it holds none.
    """
    days = sorted(
        path.stem
        for path in (folder / "readings" / pot).glob("*.parquet")
        if not path.stem.startswith("slow-")
    )
    if not days:
        raise FileNotFoundError(f"no readings of {pot} in {folder}")
    return days


def replay_seconds(folder: Path, pot: str, days: list[str]) -> Iterator[Second]:
    """Yield the messages of a pot's days, one for each value of the box's counter in turn.

    Parameters
    ----------
    folder : Path
        A history, as `history.write_history` writes it.
    pot : str
        The pot.
    days : list of str
        UTC days, `YYYY-MM-DD`.

    Yields
    ------
    Second
        In order of the box's time; slow channels in the message they fall into.

    Raises
    ------
    FileNotFoundError
        When a day is missing.
    """
    for day in days:
        table = pq.read_table(folder / "readings" / pot / f"{day}.parquet")
        times = table["time"].to_numpy().astype(np.int64)
        fast = {channel: table[column].to_numpy() for channel, column in FAST_CHANNELS.items()}
        deadman = table["deadman"].to_numpy()
        counter = table["seq"].to_numpy()
        slow_table = pq.read_table(folder / "readings" / pot / f"slow-{day}.parquet")
        slow_times = slow_table["time"].to_numpy().astype(np.int64)
        names, values = slow_table["channel"].to_pylist(), slow_table["value"].to_pylist()
        edges = np.flatnonzero(np.diff(counter) != 0) + 1
        bounds = np.concatenate([[0], edges, [len(times)]])
        due = np.searchsorted(slow_times, times[bounds[:-1]])
        due = np.append(due, len(slow_times))
        due[0] = 0
        for number, (first, last) in enumerate(pairwise(bounds.tolist())):
            slow = {names[index]: values[index] for index in range(due[number], due[number + 1])}
            yield Second(
                times[first] / 1e6,
                (times[first:last] - times[first]) / 1e6,
                {channel: readings[first:last] for channel, readings in fast.items()},
                deadman[first:last],
                slow,
                int(counter[first]),
            )


def due_times(
    seconds: Iterable[Second], *, longest_gap_s: float = 60.0
) -> Iterator[tuple[float, Second]]:
    """Give when each message is due after the first [s], with long silences cut short.

    Parameters
    ----------
    seconds : iterable of Second
        Messages in order.
    longest_gap_s : float
        A silence longer than this, a night say, is waited for only so long [s].

    Yields
    ------
    (float, Second)
        Due time, never falling, and the message.
    """
    due_s, before_s = 0.0, float("nan")
    for second in seconds:
        if before_s == before_s:  # not the first
            due_s += min(max(second.from_s - before_s, 0.0), longest_gap_s)
        before_s = second.from_s
        yield due_s, second
