"""What the simulator writes by the wire's prose, ingest reads, and analytics finds its truth again.

Simulator and readers share no code; this is the only place where they meet.
"""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from analytics.cycles import CycleSettings, find_cycles
from ingest.sources.card_form import Options, inspect
from ingest.sources.files import slices
from ingest.wire.framing import LineSplitter, text_of
from ingest.wire.senml import decode
from simulated_feeds.faults import FaultSet
from simulated_feeds.feeds.card import CardFeed
from simulated_feeds.feeds.mangle import Mangled
from simulated_feeds.history import write_history
from simulated_feeds.live import LivePot
from simulated_feeds.wire import Second, senml_pack, serial_line
from simulated_feeds.yard import plan_yard

ARRIVED_US = 1_800_000_900_000_000


def seconds(count: int, **of_pot: object) -> list[Second]:
    """Give the first seconds of a live pot."""
    source = LivePot(seed=6, **of_pot).seconds(1.8e9)  # type: ignore[arg-type]
    return [second for second in (next(source) for _ in range(count)) if second is not None]


@pytest.mark.parametrize("unit", ["Pa", "mA"])
def test_every_reading_of_a_pack_arrives_with_its_time(unit):
    for second in seconds(40, unit=unit, mass=True):
        decoded = decode(senml_pack("pot-1", second), ARRIVED_US)
        assert decoded.rejects == []
        assert {reading.pot for reading in decoded.readings} == {"pot-1"}
        found: dict[str, list[tuple[int, float]]] = {}
        for reading in decoded.readings:
            found.setdefault(reading.channel, []).append((reading.at_us, reading.value))
        at_us = [round((second.from_s + offset) * 1e6) for offset in second.offsets_s.tolist()]
        for channel, values in second.fast.items():
            assert [value for _, value in found[channel]] == values.tolist()
            assert [at for at, _ in found[channel]] == pytest.approx(at_us, abs=1)
        assert [value for _, value in found["deadman"]] == second.deadman.astype(float).tolist()
        assert found["seq"][0][1] == second.seq
        for channel, value in second.slow.items():
            assert found[channel][0][1] == value


def test_a_box_without_a_clock_is_placed_before_the_arrival():
    second = seconds(1)[0]
    decoded = decode(senml_pack("pot-1", second, clock=False), ARRIVED_US)
    times = [reading.at_us for reading in decoded.readings if reading.channel == "pot"]
    assert times[-1] == ARRIVED_US and times[0] == ARRIVED_US - 900_000


def test_lines_survive_any_cut_and_garbled_ones_are_refused():
    lines: list[bytes] = []

    class Line:
        sent = 0

        def frame(self, pack: bytes) -> bytes:
            return serial_line(pack)

        def send_bytes(self, line: bytes) -> None:
            lines.append(line)

    mangled = Mangled(Line(), FaultSet({"message_garbled": 0.6}, 2))
    packs = [senml_pack("pot-1", second) for second in seconds(200)]
    for pack in packs:
        mangled.send(pack)
    stream = b"".join(lines)
    splitter = LineSplitter()
    texts = []
    for at in range(0, len(stream), 97):
        for line in splitter.feed(stream[at : at + 97]):
            texts.append(text_of(line.raw, "required"))
    good = [text for text in texts if isinstance(text, bytes)]
    assert mangled.counts["message_garbled"] > 40
    # a flipped record separator or line feed may join or cut lines; no wrong text is let through
    assert set(good) <= set(packs)
    assert len(good) >= len(packs) - mangled.counts["message_garbled"] - 2
    assert len(good) <= len(packs) - mangled.counts["message_garbled"] + 2


@pytest.mark.parametrize("unit", ["Pa", "mA"])
def test_a_card_is_understood_column_by_column(tmp_path, unit):
    card = CardFeed(tmp_path / "card.csv")
    card.open()
    for second in seconds(5, unit=unit, mass=True):
        card.show(second)
    card.close()
    options = Options(ZoneInfo("Europe/Amsterdam"), None, None, 2**53)
    form = inspect(tmp_path / "card.csv", options)
    assert form.layout == "wide" and form.ignored == ()
    assert all(column.known for column in form.columns)
    assert {column.channel for column in form.columns} == {
        "supply", "inlet", "pot", "nozzle", "deadman", "air_temp", "humidity", "steel_temp",
        "pot_mass", "seq",
    }  # fmt: skip
    units = {column.channel: column.unit for column in form.columns}
    assert units["pot"] == unit and units["air_temp"] == "Cel"
    assert sum(piece.rows for piece in slices(form, options)) == 50


@pytest.fixture(scope="module")
def three_days(tmp_path_factory):
    folder = tmp_path_factory.mktemp("days")
    write_history(plan_yard(7, date(2026, 11, 19), 3, 3, 10.0, mishaps=False), folder)
    return folder


@pytest.mark.parametrize("pot", ["pot-1", "pot-2", "pot-3"])
def test_cycles_and_hours_of_the_truth_are_found_again(three_days, pot):
    frame = pl.concat([
        pl.read_parquet(path)
        for path in sorted((three_days / "readings" / pot).glob("20*.parquet"))
    ])  # fmt: skip
    signals = frame.rename({"time": "sampled_at"}).select(
        "sampled_at", "deadman", "supply_pa", "pot_pa", "nozzle_pa"
    )
    found = find_cycles(signals, CycleSettings()).cycles.filter(~pl.col("flicker"))
    truth = pl.read_parquet(three_days / "truth" / "cycles.parquet").filter(pl.col("pot") == pot)
    gaps = pl.read_parquet(three_days / "truth" / "gaps.parquet").filter(pl.col("pot") == pot)
    for gap in gaps.iter_rows(named=True):  # what the box did not see, nobody can find
        outside = (pl.col("released_at") < gap["from_at"]) | (pl.col("pressed_at") > gap["to_at"])
        truth, found = truth.filter(outside), found.filter(outside)
    assert abs(found.height - truth.height) <= 2 * gaps.height
    assert found.height > 200
    assert found["deadman_s"].sum() == pytest.approx(truth["on_s"].sum(), rel=0.01)
    assert found["blast_s"].sum() == pytest.approx(truth["blast_s"].sum(), rel=0.01)
    low, high = found["blast_low_s"].sum(), found["blast_high_s"].sum()
    assert low < truth["blast_s"].sum() + 0.5 * truth.height and high > truth["blast_s"].sum()
    joined = truth.sort("signal_on_at").join_asof(
        found.sort("pressed_at"), left_on="signal_on_at", right_on="pressed_at",
        strategy="nearest", tolerance="1s",
    )  # fmt: skip
    assert joined["pressed_at_right"].null_count() <= 2 * gaps.height
    rise = joined.drop_nulls(["rise_90_s", "pressurise_s"])
    assert rise.height > 180
    error = (rise["pressurise_s"] - rise["rise_90_s"]).to_numpy()
    assert abs(np.median(error)) < 1.0
