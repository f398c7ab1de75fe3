"""The page on signals: what it says of boxes that are right and wrong, and what it writes."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cbor2
import numpy as np
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest
from test_pages import assert_sound, forget, held, made, markup, one_shift, opened, place, text

from analytics import box_signs
from analytics.box_signs import CAUSE, HourHeard, signs
from analytics.boxes import health
from analytics.pipeline import derive
from analytics.quality import CAUSES
from analytics.signals import TransducerLaw
from dashboard import signals_words
from ingest.clocks import estimate
from ingest.config import load_yard
from ingest.readings import RawMessage
from ingest.store import clock_rows
from ingest.store.connection import read_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter
from ingest.wire import reasons
from ingest.wire.shown import readable

__all__ = ["made", "one_shift", "place"]

SIGNALS = "views/signals.py"

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
invented = true
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
title = "Pot 1"
volume_m3 = 0.184
plate_pa = 1_000_000
[[box]]
name = "box-1"
pot = "pot-1"
rate_hz = 5
channels = ["supply", "pot", "nozzle", "deadman", "seq"]
[[transducer]]
pot = "pot-1"
channel = "pot"
unit = "mA"
range_pa = [0, 1_000_000]
tag = "T-7"
[[transducer.calibration]]
from_at = 2026-01-05
offset_pa = 2_000
gain = 1.01
"""


# --- the words -------------------------------------------------------------------------------


def test_every_cause_and_every_reason_has_a_step() -> None:
    every = {value for name, value in vars(reasons).items() if name.isupper()}
    assert set(signals_words.REASON_STEPS) == every
    assert set(signals_words.CAUSE_STEPS) == set(signals_words.CAUSE_WORDS) == set(CAUSES)


@pytest.mark.parametrize(
    ("payload", "content_type", "form", "within"),
    [
        (b'[{"n":"pot","u":"bar","v":7}]', "", "JSON", '"u": "bar"'),
        (cbor2.dumps([{0: "pot", 2: 5}]), "application/senml+cbor", "CBOR", '"0": "pot"'),
        (cbor2.dumps([{0: "pot", 2: b"\xff"}]), "", "CBOR", '"ff"'),
        (b"\xff\x00\x10", "", "bytes, in hexadecimal", "ff 00 10"),
        (b"rate=10\x07", "", "text", "rate=10\ufffd"),
        (b"[" * 100_000, "", "text", "[[["),
        (b"\x81" * 100_000, "application/senml+cbor", "bytes, in hexadecimal", "81 81"),
        (b"", "", "text", ""),
    ],
)
def test_any_bytes_become_text_that_is_not_endless(
    payload: bytes, content_type: str, form: str, within: str
) -> None:
    found, said = readable(payload, content_type)
    assert found == form and within in said and len(said) <= 4_010


# --- signs -----------------------------------------------------------------------------------

NOW = dt.datetime(2026, 5, 4, 12)
LAWS = [TransducerLaw(channel, 0.0, 1e6) for channel in ("supply", "pot", "nozzle")]
CHANNELS = ("supply", "pot", "nozzle", "deadman", "seq")


def heard_hour(**changed: Any) -> HourHeard:
    """Forty minutes at 5 Hz: twenty at rest, then blasting a minute on and a minute off."""
    at_s = np.arange(0, 2400, 0.2)
    on = (at_s >= 1260) & (at_s % 120 < 60)
    wave = 400.0 * np.sin(at_s)  # a transducer's own noise
    columns: dict[str, Any] = {
        "deadman": on,
        "supply_pa": np.where(on, 720e3, 724e3) + wave,
        "pot_pa": np.where(on, 700e3, 900.0) + wave,
        "nozzle_pa": np.where(on, 630e3, 600.0) + wave,
        "seq": (at_s // 1).astype(np.int64),
    }
    late_s = changed.pop("late_s", 0.3)
    columns |= {key: value(columns[key], at_s) for key, value in changed.items()}
    begin = NOW - dt.timedelta(seconds=2400)
    sampled = [begin + dt.timedelta(seconds=float(s)) for s in at_s]
    samples = pl.DataFrame(
        {"sampled_at": sampled, "inlet_pa": [None] * at_s.size}
        | {
            name: pl.Series(value, nan_to_null=True, strict=False)
            for name, value in columns.items()
        }
    ).with_columns(
        (pl.col("sampled_at") + dt.timedelta(seconds=late_s)).alias("arrived_at"),
        pl.col("inlet_pa").cast(pl.Float64),
        *(pl.lit(None, pl.Float64).alias(f"{c}_ma") for c in ("supply", "inlet", "pot", "nozzle")),
        pl.lit(0, pl.Int32).alias("quality"),
    )
    first = samples.filter(pl.col("seq").is_first_distinct())
    clock = estimate(
        first["sampled_at"].cast(pl.Int64).to_numpy(),
        first["arrived_at"].cast(pl.Int64).to_numpy(),
        first["seq"].cast(pl.Float64).to_numpy(),
    )
    slow = pl.DataFrame(
        schema={"channel": pl.String, "unit": pl.String, "known": pl.Boolean, "readings": pl.Int64}
    )
    return HourHeard(
        samples, slow, health(samples.select("sampled_at", "arrived_at", "seq"), 2.0), clock, NOW
    )


def answers(heard: HourHeard, **other: Any) -> dict[tuple[str, str], box_signs.Sign]:
    told = {
        "laws": LAWS, "channels": CHANNELS, "rate_hz": 5.0, "gap_s": 2.0,
        "sends_ma": frozenset(), "now": NOW,
    } | other  # fmt: skip
    return {(one.about, one.channel): one for one in signs(heard, **told)}


def test_a_box_in_order_is_right_in_every_sign() -> None:
    found = answers(heard_hour())
    assert {one.state for one in found.values()} == {"right"}, found
    # 900 and 600 Pa were put in; the sine leaves the median where it was, to its own size.
    assert "+0.9 kPa" in found["zero", "pot"].found
    assert "+0.6 kPa" in found["zero", "nozzle"].found
    assert {("rate", ""), ("clock", ""), ("both", "deadman"), ("moving", "pot")} <= set(found)


Change = Callable[[Any, Any], Any]


@pytest.mark.parametrize(
    ("wrong", "changed", "within"),
    [
        (("zero", "pot"), {"pot_pa": lambda v, s: v + 6_500.0}, "+7.4 kPa"),
        (("moving", "pot"), {"pot_pa": lambda v, s: 900.0 + 0 * v}, "moved by 0.0 kPa only"),
        (("unit", "nozzle"), {"nozzle_pa": lambda v, s: v / 6894.757}, "psi"),
        (("both", "deadman"), {"deadman": lambda v, s: ~v}, "inverted"),
        (("lost", ""), {"seq": lambda v, s: v + (s > 100) * 7}, "missing: 6"),
        (("clock", ""), {"late_s": 3600.0}, "3600.0 s slow"),
        (("order", ""), {"nozzle_pa": lambda v, s: v + (v > 1e5) * 200e3}, "swapped"),
        (("counts", "pot"), {"pot_pa": lambda v, s: np.where(s % 10 < 1, -400e3, v)}, "do not"),
        (("sent", "nozzle"), {"nozzle_pa": lambda v, s: v * np.nan}, "Nothing came"),
    ],
)
def test_one_fault_makes_its_own_sign_wrong(
    wrong: tuple[str, str], changed: dict[str, Any], within: str
) -> None:
    sign = answers(heard_hour(**changed))[wrong]
    assert sign.state == "wrong" and sign.next_step and within in sign.found, sign
    if wrong[0] == "counts":
        assert sign.next_step.removeprefix(CAUSE) in CAUSES


def test_what_nothing_has_shown_is_open_and_says_what_has_to_happen() -> None:
    quiet = heard_hour(deadman=lambda v, s: v & False, pot_pa=lambda v, s: 900 + 300 * np.sin(s))
    found = answers(quiet)
    assert found["both", "deadman"].state == "open"
    assert found["moving", "pot"].state == "open"
    assert "site's procedure" in found["both", "deadman"].next_step


def test_a_silent_box_says_only_that() -> None:
    heard = heard_hour()
    silent = HourHeard(
        heard.samples.head(0), heard.slow, health(heard.samples.head(0), 2.0), [],
        NOW - dt.timedelta(hours=3),
    )  # fmt: skip
    [only] = answers(silent).values()
    assert only.state == "wrong" and "180 minutes" in only.found
    [never] = answers(silent._replace(last_at=None)).values()
    assert "ever heard" in never.found


# --- the page --------------------------------------------------------------------------------


@pytest.mark.parametrize("with_box", [True, False])
def test_without_a_store_it_says_what_to_do_next(place: Path, with_box: bool) -> None:
    if not with_box:
        yard = (place / "yard.toml").read_text()
        begin, end = yard.index("[[box]]"), yard.index("[[rule]]")
        (place / "yard.toml").write_text(yard[:begin] + yard[end:])
    app = opened(SIGNALS)
    assert_sound(app)
    said = text(app)
    assert "gritbook ingest" in said
    assert ("names no sensor box" in said) is not with_box


def test_one_shift_is_shown_with_its_gap(place: Path, one_shift: Any) -> None:
    app = opened(SIGNALS)
    assert_sound(app)
    said = text(app)
    # What the store was made with came by no source, so nobody was heard.
    assert "Nothing was ever heard of this pot" in said and "gritbook check" in said
    # The six minutes that the store was made without, and the day around it.
    assert "6 min" in said
    assert "is no sign of a vented pot" in said


def test_a_held_store_is_a_sentence(place: Path, one_shift: Any) -> None:
    with held(place):
        app = opened(SIGNALS)
        assert_sound(app)
        assert "is being written to just now" in text(app)


def sent(place: Path, clock_s: float = 0.0) -> None:
    """Six minutes of a box that sends its pot's loop current, and what it gets wrong."""
    (place / "yard.toml").write_text(YARD, encoding="utf-8")
    now_s = dt.datetime.now(dt.UTC).timestamp()
    with Journal(place) as journal:
        for number in range(360):
            begin_s = now_s - 361 + number
            on = number % 40 < 20
            pack: list[dict[str, Any]] = [
                {"bn": "pot-1/", "bt": begin_s - clock_s, "bu": "Pa"},
                {"n": "seq", "u": "count", "v": number + (number > 200) * 3},
            ]
            for fifth in range(5):
                at: dict[str, Any] = {"t": fifth / 5}
                wave = 300.0 * np.sin(number + fifth)
                pack += [
                    {"n": "deadman", "vb": on, **at},
                    {"n": "supply", "v": 720e3 + wave, **at},
                    {
                        "n": "pot",
                        "u": "mA",
                        "v": round(15.0 if on else 4.05, 3) + fifth / 1e3,
                        **at,
                    },
                    {"n": "nozzle", "v": (620e3 if on else 500.0) + wave, **at},
                ]
            pack[0] |= pack.pop(1)
            journal.append(message(begin_s + 1.0, json.dumps(pack).encode()))
        bar = [{"bn": "pot-1/", "n": "nozzle", "u": "bar", "v": 6.2}]
        journal.append(message(now_s, json.dumps(bar).encode()))
        other = [{"bn": "pot-9/", "n": "pot", "u": "Pa", "v": 5e5}]
        journal.append(message(now_s, json.dumps(other).encode(), "pot-9"))
    writer = StoreWriter(place, ["pot-1"])
    while writer.take() is not None:
        pass
    derive(place, load_yard(place / "yard.toml"))
    forget()


def message(at_s: float, payload: bytes, pot: str = "pot-1") -> RawMessage:
    topic = f"gritbook/test-yard/{pot}/readings"
    return RawMessage("mqtt", topic, "", round(at_s * 1e6), False, payload)


def test_values_calibration_losses_and_quarantine_are_told(place: Path) -> None:
    sent(place)
    app = opened(SIGNALS)
    assert_sound(app)
    said = text(app)
    assert "5 of 5" in said and "Messages missing: 3." in said
    # 4.054 mA is 3375 Pa of 1 MPa; less 2000, times 1.01: 1.4 kPa.
    assert "4.054 mA 1.4 kPa" in said
    # At 700 kPa: (700 - 2) * 1.01 = 704.98, 4.98 more than as read.
    assert "704.98 kPa (+4.98 kPa)" in said
    assert "tag T-7; 1 calibration" in said
    assert "Unit not taken for this channel" in said and "there is no bar or psi" in said
    shown = [one.value for one in app.code]
    assert any('"u": "bar"' in one for one in shown)
    assert any("[[transducer.calibration]]" in one for one in shown)


def test_reading_again_takes_what_the_mended_yard_file_allows(place: Path) -> None:
    sent(place)
    added = '[[pot]]\nname = "pot-9"\nvolume_m3 = 0.1\nplate_pa = 862000\n'
    (place / "yard.toml").write_text(YARD + added, encoding="utf-8")
    app = opened(SIGNALS)
    app = app.button(key="signals-again").click().run()
    assert_sound(app)
    assert "2 messages read again: 1 reading stored, 1 entry settled." in text(app)
    with read_window(place) as con:
        kept = con.execute("SELECT count(*) FROM sample JOIN pot USING (pot_id) WHERE pot='pot-9'")
        assert kept.fetchall() == [(1,)]


def corrections(place: Path) -> list[clock_rows.Taken]:
    with read_window(place) as con:
        return clock_rows.listed(con)


def press(app: AppTest, label: str) -> AppTest:
    return next(b for b in app.button if b.label == label).click().run()


def test_a_wrong_clock_is_taken_and_withdrawn_with_a_name(place: Path) -> None:
    sent(place, clock_s=7200.0)
    app = opened(SIGNALS)
    assert_sound(app)
    assert "7200" in text(app) and "slow" in text(app)
    app = press(app, "Correct for what is found")
    assert_sound(app)
    assert "Nobody is named" in text(app) and corrections(place) == []
    app.text_input(key="signals-take-by").set_value("Maintainer 1")
    app = press(app, "Correct for what is found")
    assert_sound(app)
    assert "1 correction taken" in text(app)
    [taken] = corrections(place)
    assert taken.taken_by == "Maintainer 1" and taken.offset_s == pytest.approx(7200.0, abs=2.0)
    app.text_input(key="signals-withdraw-by").set_value("Maintainer 2")
    app = press(app, "Withdraw it")
    assert_sound(app)
    assert corrections(place)[0].withdrawn_by == "Maintainer 2"
    assert "withdrawn by Maintainer 2" in text(app)


def test_what_a_message_says_is_text(place: Path) -> None:
    sent(place)
    with Journal(place) as journal:
        nasty = [{"bn": "pot-1/", "n": "pot", "u": "<img src=x onerror=alert(1)>", "v": 1}]
        journal.append(message(dt.datetime.now(dt.UTC).timestamp(), json.dumps(nasty).encode()))
    StoreWriter(place, ["pot-1"]).take()
    forget()
    app = opened(SIGNALS)
    assert_sound(app)
    assert "<img" not in markup(app)
