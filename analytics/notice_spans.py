"""Spans in which something was wrong, from what is derived and what people entered.

Each function takes frames of one pot, or of the yard, and gives ``analytics.notices.SPAN_SCHEMA``.
What it says of a pressure it says of readings: of what lay between two samples, or in a silence,
nothing is known.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate
from typing import Any

import polars as pl

from analytics.notices import SPAN_SCHEMA
from analytics.trouble_spans import KIND_OF
from analytics.watch import joined

_MINUTE = dt.timedelta(minutes=1)

#: A minute counts as faulty with this share of its readings unusable; a jump now and then does
#: not. Faulty minutes no further apart than this are one span. [-], minutes
FAULTY_SHARE, FAULTY_APART = 0.1, 5
#: Silence of at most this length counts outside booked shifts too: the box came back. [min]
SHORT_SILENCE = dt.timedelta(minutes=30)
#: In the first and last part of a shift a box may be off: people come and go. [min]
SHIFT_EDGE = dt.timedelta(minutes=30)
#: Silences this near to one another are one where they come to so much together.
BUNCH_APART, BUNCH_SILENT = dt.timedelta(minutes=5), dt.timedelta(minutes=1)
#: A shift's records are missed so long after its end, and refills so long after they were made.
RECORDS_AFTER = dt.timedelta(hours=2)
#: A refill that nobody entered is told from this estimate on, less twice its standard error. [kg]
LEAST_REFILL_KG = 10.0


def _frame(rows: Sequence[tuple[Any, ...]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=SPAN_SCHEMA, orient="row")


def pressure_spans(watched: pl.DataFrame, pot: str, plate_pa: float) -> pl.DataFrame:
    """Above the plate; under pressure after a release; pressurised with nobody on the handle.

    Parameters
    ----------
    watched : polars.DataFrame
        ``analytics.watch.WATCH_SCHEMA`` of the pot's whole history.
    pot : str
        The pot.
    plate_pa : float
        On the vessel's plate. [Pa gauge]

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``. A stretch that begins with the release, or with the first reading after a
        silence, is one after the release; one that rose with the dead-man shut is not.
    """
    rows = []
    for stretch in joined(watched, "over_plate").iter_rows(named=True):
        said = (
            f"{stretch['peak_pa'] / 1e3:.0f} kPa was read; the plate says {plate_pa / 1e3:.0f} kPa."
        )
        rows.append(
            (pot, "over_plate", "", stretch["from_at"], stretch["to_at"], stretch["last_at"],
             stretch["peak_pa"], said)
        )  # fmt: skip
    for stretch in joined(watched, "unheld").iter_rows(named=True):
        lasted_s = (stretch["last_at"] - stretch["from_at"]).total_seconds()
        for_long = f"for {lasted_s:.0f} s" if lasted_s < 120 else f"for {lasted_s / 60:.0f} min"
        if stretch["after"] == "rise":
            kind = "pressurised_unheld"
            said = (
                f"The pot rose to {stretch['peak_pa'] / 1e3:.0f} kPa with the dead-man shut, "
                f"{for_long}."
            )
        else:
            kind = "pressure_after_release"
            said = f"The pot still read over 60 kPa with the dead-man shut, {for_long}."
        if stretch["to_at"] is None:
            said += " No reading says that it has fallen since."
        rows.append(
            (pot, kind, "", stretch["from_at"], stretch["to_at"], stretch["last_at"], lasted_s,
             said)
        )  # fmt: skip
    return _frame(rows)


def fit_spans(spans: pl.DataFrame, pot: str) -> pl.DataFrame:
    """Troubles that fitted the indicators, of those that are noticed.

    Parameters
    ----------
    spans : polars.DataFrame
        ``analytics.trouble_spans.SPAN_SCHEMA``.
    pot : str
        The pot.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``.
    """
    return _frame(
        [
            (pot, *KIND_OF[row["trouble"]], row["from_at"], row["to_at"], row["last_at"], None,
             row["said"])
            for row in spans.iter_rows(named=True)
            if row["trouble"] in KIND_OF
        ]
    )  # fmt: skip


_CAUSES = {
    "loop_bad": "failure currents: a wire, a plug or the transmitter",
    "range_bad": "values that no pressure here can have",
    "rate_bad": "jumps that no pressure makes",
    "moving_bad": "one value that stands while other pressures move",
}


def fault_spans(faults: pl.DataFrame, pot: str) -> pl.DataFrame:
    """Transducers whose readings must not count.

    Parameters
    ----------
    faults : polars.DataFrame
        ``analytics.quality.FAULT_SCHEMA`` of one pot: the minutes that have any.
    pot : str
        The pot.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``, one cause a channel.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5, 8, m) for m in (0, 1, 20)]
    >>> minutes = pl.DataFrame({"channel": ["pot"] * 3, "from_at": at, "readings": [600] * 3,
    ...     "loop_bad": [300, 600, 5], "range_bad": [0] * 3, "rate_bad": [0] * 3,
    ...     "moving_bad": [0] * 3, "certain_bad": [0] * 3})
    >>> fault_spans(minutes, "pot-1").select("cause", pl.col("to_at").dt.minute()).rows()
    [('pot', 2)]
    """
    bad = pl.sum_horizontal(list(_CAUSES))
    minutes = (
        faults.filter(bad >= FAULTY_SHARE * pl.col("readings"))
        .sort("channel", "from_at")
        .with_columns(
            (
                (pl.col("from_at").diff() > FAULTY_APART * _MINUTE)
                | (pl.col("channel") != pl.col("channel").shift())
            )
            .fill_null(value=True)
            .cum_sum()
            .alias("span")
        )
    )
    rows = []
    for span in (
        minutes.group_by("span", maintain_order=True)
        .agg(
            pl.col("channel").first(),
            pl.col("from_at").min(),
            pl.col("from_at").max().alias("last"),
            *(pl.col(name).sum() for name in _CAUSES),
        )
        .iter_rows(named=True)
    ):
        most = max(_CAUSES, key=lambda name: span[name])
        end = span["last"] + _MINUTE
        rows.append(
            (pot, "transducer_fault", span["channel"], span["from_at"], end, end, None,
             f"The {span['channel']} channel sends {_CAUSES[most]}.")
        )  # fmt: skip
    return _frame(rows)


def silence_spans(
    gaps: pl.DataFrame,
    heard: tuple[dt.datetime | None, dt.datetime | None],
    shifts: pl.DataFrame,
    pot: str,
    gap_s: float,
    now: dt.datetime,
    after_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Silences that a box should not have kept: in a booked shift, or where it came back soon.

    A box that is switched off after work is silent too; that is no trouble. The rule is that of
    the high figure of hours, so each silence that may hide blasting is also told.

    Parameters
    ----------
    gaps : polars.DataFrame
        ``analytics.cycles.GAP_SCHEMA`` of one pot.
    heard : (datetime or None, datetime or None)
        First and last instant heard.
    shifts : polars.DataFrame
        ``from_at``, ``to_at``, ``booked_at`` of the pot's shifts; a shift that was booked later
        was not missed before.
    pot : str
        The pot.
    gap_s : float
        Silence for longer than this is a gap. [s]
    now : datetime
        Naive UTC.
    after_at : datetime, optional
        Only silences after this instant are given and told; the box was heard then.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``.
    """
    first_at, last_at = heard
    longer = dt.timedelta(seconds=gap_s)
    silences: list[tuple[dt.datetime | None, dt.datetime | None, bool]] = [
        (row["from_at"], row["to_at"], row["deadman_before"] or row["deadman_after"])
        for row in gaps.iter_rows(named=True)
    ]
    if first_at is None or last_at is None:
        silences.append((None, None, False))
    else:
        silences += [(None, first_at, False)] if after_at is None else []
        if now - last_at > longer:
            silences += [(last_at, None, False)]
    booked = _Booked(shifts)
    pieces: list[tuple[dt.datetime, dt.datetime | None, bool]] = []
    for from_at, to_at, was_held in silences:
        short = from_at is not None and to_at is not None and to_at - from_at <= SHORT_SILENCE
        if from_at is not None and (short or was_held):
            pieces.append((from_at, to_at, was_held))
            continue
        for begin, end, booked_at in booked.meeting(from_at, to_at):
            part = max(begin + SHIFT_EDGE, booked_at, from_at or begin)
            ends = min(end - SHIFT_EDGE, to_at or end)
            if part < min(ends, now):
                pieces.append((part, ends if ends <= now else None, was_held))
    return _frame([_silence(pot, bunch, now) for bunch in _bunches(sorted(pieces, key=_first))])


class _Booked:
    """Booked shifts, to be asked which of them meet a silence: of years there are thousands of
    both, and to look at each shift for each silence takes seconds."""

    def __init__(self, shifts: pl.DataFrame) -> None:
        rows = list(shifts.select("from_at", "to_at", "booked_at").iter_rows())
        self._rows = sorted(enumerate(rows), key=lambda numbered: numbered[1][0])
        self._begins = [row[0] for _, row in self._rows]
        self._latest_ends = list(accumulate((row[1] for _, row in self._rows), max))

    def meeting(
        self, from_at: dt.datetime | None, to_at: dt.datetime | None
    ) -> Iterator[tuple[dt.datetime, dt.datetime, dt.datetime]]:
        """Those that end after ``from_at`` and begin before ``to_at``, in the order given."""
        first = 0 if from_at is None else bisect_right(self._latest_ends, from_at)
        after = len(self._rows) if to_at is None else bisect_left(self._begins, to_at)
        for _, row in sorted(self._rows[first:after], key=lambda numbered: numbered[0]):
            yield row


_Piece = tuple[dt.datetime, dt.datetime | None, bool]


def _first(piece: _Piece) -> dt.datetime:
    return piece[0]


def _bunches(pieces: list[_Piece]) -> list[list[_Piece]]:
    """Silences near to one another that come to something together; others by themselves."""
    near: list[list[_Piece]] = []
    for piece in pieces:
        last = near[-1][-1][1] if near else None
        if last is not None and piece[0] - last <= BUNCH_APART:
            near[-1].append(piece)
        else:
            near.append([piece])
    bunches = []
    for bunch in near:
        ended = [(a, b) for a, b, _ in bunch if b is not None]
        silent = sum((b - a for a, b in ended), dt.timedelta())
        if len(ended) < len(bunch) or silent >= BUNCH_SILENT:
            bunches.append(bunch)
        else:
            bunches += [[piece] for piece in bunch]
    return bunches


def _silence(pot: str, bunch: list[_Piece], now: dt.datetime) -> tuple[Any, ...]:
    silent_s = sum(((end or now) - begin).total_seconds() for begin, end, _ in bunch)
    lasted = f"{silent_s / 60.0:.0f} min" if silent_s >= 120.0 else f"{silent_s:.0f} s"
    said = f"Nothing was heard for {lasted}"
    said += f" in {len(bunch)} silences." if len(bunch) > 1 else "."
    if any(held for *_, held in bunch):
        said += " The dead-man was open before or after."
    end = bunch[-1][1]
    return (pot, "box_silent", "", bunch[0][0], end, end or now, silent_s, said)


#: What a cause begins with that is a day's refills, and not a shift.
REFILLS = "refills "
#: Names of shifts that could be one. To mark those that are marked too keeps all causes apart.
LIKE_REFILLS = f"^(shift )*{REFILLS}"


def cause_of_shift(shift: pl.Expr) -> pl.Expr:
    """The cause of what lacks of a shift: its name, unless that could be a day's refills."""
    return pl.when(shift.str.contains(LIKE_REFILLS)).then(pl.lit("shift ") + shift).otherwise(shift)


def record_spans(
    shifts: pl.DataFrame,
    areas: pl.DataFrame,
    abrasives: pl.DataFrame,
    summaries: pl.DataFrame,
    now: dt.datetime,
    after: dt.timedelta = RECORDS_AFTER,
) -> pl.DataFrame:
    """Shifts that blasted and lack their area or their bags.

    Parameters
    ----------
    shifts : polars.DataFrame
        ``shift``, ``pot``, ``from_at``, ``to_at``, ``booked_at`` (first entered), one row a shift
        and pot.
    areas, abrasives : polars.DataFrame
        ``shift`` (empty: by its time), ``pot``, ``at``, ``entered_at`` (first entered).
    summaries : polars.DataFrame
        ``shift``, ``pot``, ``blast_s``.
    now : datetime
        Naive UTC.
    after : timedelta
        How long after the shift's end, or its booking, they are missed.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``, one cause a shift; a span ends when the last that was missing was entered.
    """
    blasted = {
        (row["shift"], row["pot"])
        for row in summaries.filter(pl.col("blast_s") >= 60.0).iter_rows(named=True)
    }
    rows = []
    of_areas, of_bags = _Entered(areas), _Entered(abrasives)
    for shift in shifts.iter_rows(named=True):
        if (shift["shift"], shift["pot"]) not in blasted:
            continue
        from_at = max(shift["to_at"], shift["booked_at"]) + after
        if from_at > now:
            continue
        entered = {"area": of_areas.first_of(shift), "bags": of_bags.first_of(shift)}
        missing = [what for what, at in entered.items() if at is None]
        late = [at for at in entered.values() if at is not None and at > from_at]
        if not missing and not late:
            continue
        to_at = None if missing else max(late)
        lacked = missing or [w for w, at in entered.items() if at is not None and at > from_at]
        rows.append(
            (shift["pot"], "records_missing", shift["shift"], from_at, to_at, to_at or from_at,
             None, f"Shift {shift['shift']}: no {' and no '.join(lacked)} entered.")
        )  # fmt: skip
    return _frame(rows).with_columns(cause_of_shift(pl.col("cause")).alias("cause"))


class _Entered:
    """When entries about a shift were first entered, to be asked shift by shift."""

    def __init__(self, entries: pl.DataFrame) -> None:
        self._named: dict[tuple[str, str], dt.datetime] = {}
        unnamed: dict[str, list[tuple[dt.datetime, dt.datetime]]] = {}
        rows: Iterable[tuple[str, str, dt.datetime | None, dt.datetime]] = entries.select(
            "shift", "pot", "at", "entered_at"
        ).iter_rows()
        for shift, pot, at, entered_at in rows:
            if shift != "":
                known = self._named.get((shift, pot), entered_at)
                self._named[shift, pot] = min(known, entered_at)
            elif at is not None:
                unnamed.setdefault(pot, []).append((at, entered_at))
        self._unnamed = {pot: sorted(mine) for pot, mine in unnamed.items()}

    def first_of(self, shift: dict[str, Any]) -> dt.datetime | None:
        """The first that names the shift, or names none and lies in it; ``None``: none does."""
        mine = self._unnamed.get(shift["pot"], [])
        first, after = (bisect_left(mine, (shift[end],)) for end in ("from_at", "to_at"))
        found = [entered_at for _, entered_at in mine[first:after]]
        if (named := self._named.get((shift["shift"], shift["pot"]))) is not None:
            found.append(named)
        return min(found, default=None)


def refill_spans(
    tippings: pl.DataFrame,
    pot: str,
    day_of: Any,
    now: dt.datetime,
    after: dt.timedelta = RECORDS_AFTER,
) -> pl.DataFrame:
    """Refills that the pressures show and nobody entered; one cause a day.

    Parameters
    ----------
    tippings : polars.DataFrame
        ``from_at``, ``to_at``, ``estimate_kg``, ``error_kg``, ``entered_kg`` of one pot.
    pot : str
        The pot.
    day_of : callable
        A naive UTC instant's day at the site, as text.
    now : datetime
        Naive UTC.
    after : timedelta
        How long after a refill it is missed.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``. Once a refill is entered and weighed anew it is no longer here: the notice
        is withdrawn.
    """
    rows = []
    lacking = tippings.filter(
        pl.col("entered_kg").is_null()
        & (pl.col("estimate_kg") - 2.0 * pl.col("error_kg") >= LEAST_REFILL_KG)
        & (pl.col("to_at") + after <= now)
    ).with_columns(pl.col("to_at").map_elements(day_of, return_dtype=pl.String).alias("day"))
    for (day,), refills in lacking.sort("to_at").group_by("day", maintain_order=True):
        first = refills["to_at"].min()
        assert isinstance(first, dt.datetime)
        count, total_kg = refills.height, float(refills["estimate_kg"].sum())
        what = "A refill" if count == 1 else f"{count} refills"
        rows.append(
            (pot, "records_missing", f"{REFILLS}{day}", first + after, None, first + after,
             total_kg,
             f"{what} of about {total_kg:.0f} kg in all that nobody entered.")
        )  # fmt: skip
    return _frame(rows)
