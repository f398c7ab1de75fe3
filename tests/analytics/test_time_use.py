"""Where a shift's time went: parts add up to the microsecond, however the shift is cut."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import hours
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.hour_review import best_and_worst, elements, indicators
from analytics.time_use import PARTS, TimeLedger, UseSettings, time_ledger, waiting_for_air
from ingest.stop_reasons import STOP_REASONS

BEGIN = dt.datetime(2026, 5, 4, 6)
US = dt.timedelta(microseconds=1)


def at(minute: float) -> dt.datetime:
    return BEGIN + dt.timedelta(minutes=minute)


def cycles_of(spans: list[tuple[float, float, float]]) -> pl.DataFrame:
    """Cycles from (begin, end, filling) in minutes; blast time is what is left."""
    rows = []
    for begin, end, filling in spans:
        held = (end - begin) * 60.0
        blast = max(held - filling * 60.0, 0.0)
        rows.append(
            {
                "pressed_at": at(begin), "released_at": at(end), "span_from_at": at(begin),
                "span_to_at": at(end), "began_by": "press", "ended_by": "release",
                "flicker": False, "confirmed": True, "samples": 10, "deadman_s": held,
                "deadman_low_s": held, "deadman_high_s": held, "blast_s": blast,
                "blast_low_s": blast, "blast_high_s": blast, "pinched_s": held,
                "nozzle_pa": 650_000.0,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=CYCLE_SCHEMA)


def no_reasons() -> pl.DataFrame:
    return pl.DataFrame(
        schema={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us"), "reason": pl.String}
    )


def reasons_of(spans: list[tuple[float, float, str]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(at(a), at(b), why) for a, b, why in spans], schema=no_reasons().schema, orient="row"
    )


def ledger_of(
    cycles: pl.DataFrame,
    end: float = 600.0,
    gaps: list[tuple[float, float]] | None = None,
    reasons: pl.DataFrame | None = None,
    **more: object,
) -> TimeLedger:
    gap_frame = pl.DataFrame(
        [(at(a), at(b), False, False) for a, b in gaps or []], schema=GAP_SCHEMA, orient="row"
    )
    totals = hours.pot_hours(cycles, gap_frame, BEGIN, at(end), [(BEGIN, at(end))])
    chosen = no_reasons() if reasons is None else reasons
    return time_ledger(cycles, totals, BEGIN, at(end), chosen, **more)  # type: ignore[arg-type]


def minutes(ledger: TimeLedger) -> dict[str, float]:
    return {part: us / 60e6 for part, us in ledger.whole.parts.items() if us}


def test_a_shift_is_shared_out_by_hand() -> None:
    cycles = cycles_of([(30, 60, 1), (62, 90, 0), (105, 130, 0)])
    found = ledger_of(
        cycles, end=180, gaps=[(140, 150)],
        reasons=reasons_of([(0, 20, "set_up"), (150, 180, "weather")]),
        refills=[at(95)],
    )  # fmt: skip
    assert minutes(found) == pytest.approx(
        {
            "blasting": 82, "pressurising": 1, "set_up": 20, "weather": 30, "pause": 2,
            "refill": 15, "no_data": 10, "unexplained": 20,
        }
    )  # fmt: skip
    # 10 minutes before the first press and 10 after the last have no reason yet.
    stops = found.stops.select("reason", "how", pl.col("idle_s") / 60).rows()
    assert stops == [
        ("set_up", "entered", 20), ("", "", 10), ("refill", "found", 15), ("", "", 10),
        ("weather", "entered", 30),
    ]  # fmt: skip
    low, high = found.whole.between_s("blasting")
    assert (low / 60, high / 60) == (82, 92)


def test_a_later_reason_comes_before_an_earlier_one_and_none_over_blasting() -> None:
    cycles = cycles_of([(20, 40, 0)])
    found = ledger_of(cycles, end=60, reasons=reasons_of([(0, 60, "weather"), (0, 10, "set_up")]))
    assert minutes(found) == pytest.approx({"blasting": 20, "set_up": 10, "weather": 30})


def test_a_refill_explains_only_so_much_of_a_stop() -> None:
    cycles = cycles_of([(0, 30, 0), (90, 120, 0)])
    found = ledger_of(cycles, end=120, refills=[at(35)], settings=UseSettings(refill_most_s=600.0))
    assert minutes(found) == pytest.approx({"blasting": 60, "refill": 10, "unexplained": 50})
    assert found.stops["offered"].to_list() == ["", "break"]


def test_a_flicker_does_not_end_a_stop() -> None:
    cycles = cycles_of([(0, 30, 0), (33, 33.001, 0), (36, 60, 0)]).with_columns(
        pl.Series("flicker", [False, True, False])
    )
    found = ledger_of(cycles, end=60)
    assert found.stops.height == 1 and found.stops["idle_s"][0] == pytest.approx(359.94)


def test_waiting_for_air_begins_while_held_and_ends_with_recovery_or_compressor_off() -> None:
    seconds = np.arange(0, 3600)
    supply = np.full(3600, 7e5)
    supply[100:200] = 5e5  # held from 60 to 150 s: waits from 100 to 200
    supply[500:560] = 5e5  # nobody holds: no waiting
    supply[900:950] = 5e5  # held to 920, then switched off at 950
    supply[950:1500] = 1e4
    signals = pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=int(s)) for s in seconds],
            "supply_pa": supply,
        }
    )
    cycles = cycles_of([(1, 2.5, 0), (14, 920 / 60, 0)])
    spans = waiting_for_air(signals, cycles, 6e5)
    base = hours.microseconds(BEGIN)
    assert [((a - base) / 1e6, (b - base) / 1e6) for a, b in spans] == [(100, 200), (900, 950)]
    found = ledger_of(cycles, end=60, waiting=spans)
    assert found.whole.seconds("air") == pytest.approx(50 + 30)


def test_iso_elements_and_no_data_add_up_to_the_shift() -> None:
    cycles = cycles_of([(30, 60, 1), (62, 90, 0)])
    use = ledger_of(cycles, end=100, gaps=[(95, 99)]).whole
    times = elements(use)
    assert sum(times.values()) + use.seconds("no_data") == pytest.approx(6000.0)
    assert indicators(times)["technical efficiency"][0] == times["APT"]


def test_best_and_worst_hour() -> None:
    cycles = cycles_of([(5, 55, 0), (65, 75, 0), (125, 155, 0)])
    ledger = ledger_of(cycles, end=180)
    found = best_and_worst(ledger, cycles, BEGIN)
    assert found is not None
    best, worst = found
    assert (best.from_at, worst.from_at) == (BEGIN, at(60))
    assert worst.most == "unexplained" and worst.use.seconds("blasting") == pytest.approx(600)
    assert best_and_worst(ledger_of(cycles, end=100), cycles, BEGIN) is None


# --- conservation ----------------------------------------------------------------------------

spans = st.lists(st.integers(0, 599_999_999), min_size=2, max_size=30, unique=True).map(sorted)


@settings(max_examples=80, deadline=None)
@given(
    edges=spans,
    shares=st.lists(st.floats(0.0, 1.0), min_size=15, max_size=15),
    gap_edges=st.lists(st.integers(0, 599_999_999), max_size=6, unique=True).map(sorted),
    reasons=st.lists(
        st.tuples(st.floats(0, 600), st.floats(0.001, 300), st.sampled_from(sorted(STOP_REASONS))),
        max_size=8,
    ),
    refills=st.lists(st.floats(0, 600), max_size=5),
    waiting=st.lists(st.integers(0, 599_999_999), max_size=6, unique=True).map(sorted),
    cuts=st.lists(st.integers(0, 600_000_000), max_size=6).map(sorted),
)
def test_parts_add_up_and_are_conserved_however_the_shift_is_cut(
    edges: list[int],
    shares: list[float],
    gap_edges: list[int],
    reasons: list[tuple[float, float, str]],
    refills: list[float],
    waiting: list[int],
    cuts: list[int],
) -> None:
    base = hours.microseconds(BEGIN)
    gaps = [(base + a, base + b) for a, b in zip(gap_edges[::2], gap_edges[1::2], strict=False)]
    rows = []
    for (a, b), share in zip(zip(edges[::2], edges[1::2], strict=False), shares, strict=False):
        begin, end = base + a, base + b
        if any(begin < g_end and end > g_begin for g_begin, g_end in gaps):
            continue  # cycles are cut at gaps where they are found
        held_s = (end - begin) / 1e6
        instant = (BEGIN + US * a, BEGIN + US * b)
        rows.append(
            {
                "pressed_at": instant[0], "released_at": instant[1], "span_from_at": instant[0],
                "span_to_at": instant[1], "began_by": "press", "ended_by": "release",
                "flicker": share < 0.05, "confirmed": True, "samples": 9, "deadman_s": held_s,
                "deadman_low_s": held_s, "deadman_high_s": held_s, "blast_s": held_s * share,
                "blast_low_s": held_s * share, "blast_high_s": held_s * share,
                "pinched_s": held_s,
            }
        )  # fmt: skip
    cycles = pl.DataFrame(rows, schema=CYCLE_SCHEMA)
    gap_frame = pl.DataFrame(
        [(BEGIN + US * (a - base), BEGIN + US * (b - base), False, False) for a, b in gaps],
        schema=GAP_SCHEMA,
        orient="row",
    )
    end = BEGIN + US * 600_000_000
    totals = hours.pot_hours(cycles, gap_frame, BEGIN, end, [(BEGIN, end)])
    ledger = time_ledger(
        cycles, totals, BEGIN, end,
        reasons_of([(a / 60, a / 60 + b / 60, why) for a, b, why in reasons]),
        [BEGIN + dt.timedelta(seconds=s) for s in refills],
        [(base + a, base + b) for a, b in zip(waiting[::2], waiting[1::2], strict=False)],
        UseSettings(stop_s=60.0, refill_most_s=90.0),
    )  # fmt: skip
    whole = ledger.whole
    assert set(whole.parts) == set(PARTS)
    assert sum(whole.parts.values()) == 600_000_000
    assert min(whole.parts.values()) >= 0
    bounds = [0, *cuts, 600_000_000]
    pieces = [ledger.within(base + a, base + b) for a, b in pairwise(bounds)]
    for piece, (a, b) in zip(pieces, pairwise(bounds), strict=True):
        assert sum(piece.parts.values()) == b - a
    for part in PARTS:
        assert sum(piece.parts[part] for piece in pieces) == whole.parts[part]
    assert sum(piece.blast_low_us for piece in pieces) == whole.blast_low_us
    assert sum(piece.blast_high_us for piece in pieces) == whole.blast_high_us
