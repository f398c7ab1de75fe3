"""Card files: whatever form they come in, the same readings; bad rows alone are refused."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import card_import
from ingest.card_import import bring_in
from ingest.config import Yard, parse_yard
from ingest.errors import ImportRefused
from ingest.sources import card_form, files
from ingest.sources.card_columns import column_of, series_column
from ingest.store.card_slice import Outcome
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.insert import insert_readings

Rows = list[tuple[object, ...]]

YARD = parse_yard("""
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 862_000
""")


@pytest.fixture
def yard() -> Yard:
    return YARD


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def take(data: Path, path: Path, **options: object) -> Outcome:
    (outcome,) = bring_in(data, YARD, [path], "pot-1", **options)  # type: ignore[arg-type]
    return outcome


def stored(data: Path) -> set[tuple[str, str, dt.datetime, object]]:
    """Every reading in the store: pot, channel, instant, value."""
    columns = {
        "supply_pa": "supply", "inlet_pa": "inlet", "pot_pa": "pot", "nozzle_pa": "nozzle",
        "deadman": "deadman", "seq": "seq", "supply_ma": "supply_ma", "pot_ma": "pot_ma",
    }  # fmt: skip
    with read_window(data) as con:
        rows = [
            (pot, channel, at, float(value))
            for column, channel in columns.items()
            for pot, at, value in con.execute(
                f"SELECT pot, sampled_at, {column} FROM sample JOIN pot USING (pot_id) "
                f"WHERE {column} IS NOT NULL"
            ).fetchall()
        ]
        rows += con.execute(
            "SELECT pot, channel, sampled_at, coalesce(text, value::VARCHAR) FROM reading "
            "JOIN channel USING (channel_id, pot_id) JOIN pot USING (pot_id)"
        ).fetchall()
        rows = [(p, c, at, float(v) if _is_number(v) else v) for p, c, at, v in rows]
    assert len(set(rows)) == len(rows), "a reading is in the store twice"
    return set(rows)


def _is_number(value: object) -> bool:
    try:
        float(str(value))
    except ValueError:
        return False
    return True


def query(data: Path, sql: str) -> Rows:
    with read_window(data) as con:
        return con.execute(sql).fetchall()


def at(hour: int, minute: int = 0, second: int = 0, microsecond: int = 0) -> dt.datetime:
    return dt.datetime(2026, 5, 4, hour, minute, second, microsecond)


WIDE = """\
time,pot_kpa,supply_psi,nozzle_bar,deadman,humidity,seq
2026-05-04T06:00:00+02:00,1.5,100,6.5,0,55,1
2026-05-04T06:00:00.1+02:00,250,101,6.4,on,,2
2026-05-04T06:00:00.2+02:00,,102,6.3,TRUE,56.5,3
"""

WIDE_READINGS = {
    ("pot-1", "pot", at(4), 1500.0),
    ("pot-1", "pot", at(4, 0, 0, 100_000), 250_000.0),
    ("pot-1", "nozzle", at(4), 650_000.0),
    ("pot-1", "nozzle", at(4, 0, 0, 100_000), 640_000.0),
    ("pot-1", "nozzle", at(4, 0, 0, 200_000), 630_000.0),
    ("pot-1", "deadman", at(4), 0.0),
    ("pot-1", "deadman", at(4, 0, 0, 100_000), 1.0),
    ("pot-1", "deadman", at(4, 0, 0, 200_000), 1.0),
    ("pot-1", "humidity", at(4), 55.0),
    ("pot-1", "humidity", at(4, 0, 0, 200_000), 56.5),
    ("pot-1", "seq", at(4), 1.0),
    ("pot-1", "seq", at(4, 0, 0, 100_000), 2.0),
    ("pot-1", "seq", at(4, 0, 0, 200_000), 3.0),
}


def test_a_wide_csv_is_taken(tmp_path: Path, data: Path) -> None:
    outcome = take(data, written(tmp_path / "card.csv", WIDE))
    found = stored(data)
    assert {row for row in found if row[1] != "supply"} == WIDE_READINGS
    supply = sorted(float(str(row[3])) for row in found if row[1] == "supply")
    # 100 psi is 689 475.729... Pa by the exact pound, gravity and inch.
    assert supply == pytest.approx([689_475.7293, 696_370.4866, 703_265.2439], abs=1e-3)
    assert (outcome.rows, outcome.readings, outcome.refused) == (3, 16, 0)
    assert outcome.rate_hz == pytest.approx(10.0)
    assert query(data, "SELECT from_at, to_at FROM touched") == [(at(4), at(4, 0, 0, 200_000))]
    assert query(data, "SELECT name, pot, readings, repeated, refused FROM import_file") == [
        ("card.csv", "pot-1", 16, 0, 0)
    ]
    assert query(data, "SELECT DISTINCT message_id FROM sample") == [(-1,)]


def test_the_same_readings_as_parquet(tmp_path: Path, data: Path) -> None:
    frame = pl.DataFrame(
        {
            "time": [at(4), at(4, 0, 0, 100_000), at(4, 0, 0, 200_000)],
            "pot_kpa": [1.5, 250.0, None],
            "nozzle_bar": [6.5, 6.4, 6.3],
            "deadman": [False, True, True],
            "humidity": [55.0, float("nan"), 56.5],
            "seq": [1, 2, 3],
        }
    )
    expected = {row for row in WIDE_READINGS if row[1] != "supply"}
    seconds = pl.col("time").dt.epoch("us")
    forms = {
        "naive": frame,
        "zoned": frame.with_columns(pl.col("time").dt.replace_time_zone("UTC")),
        "milliseconds": frame.with_columns(seconds // 1000),
        "text": frame.with_columns(pl.col("time").dt.to_string("%Y-%m-%d %H:%M:%S%.6fZ")),
        "words": frame.with_columns(deadman=pl.Series(["off", "on", "on"])),
        "nanoseconds": frame.with_columns(pl.col("time").cast(pl.Datetime("ns"))),
    }
    for name, form in forms.items():
        path = tmp_path / f"{name}.parquet"
        form.write_parquet(path)
        one = data / name
        assert take(one, path).form is not None
        assert stored(one) == expected, name
        fast = card_form.inspect(path, card_form.Options(YARD.site.zone, None, None, 2**62)).fast
        assert fast == (name not in ("text", "words"))
        # Each form is the same readings, so none of the others brings anything.
        (again,) = bring_in(data / "naive", YARD, [path], "pot-1")
        if again.brought_in_at is None:
            assert (again.readings, again.repeated, again.conflicts) == (0, len(expected), 0)
    assert stored(data / "naive") == expected
    assert len(query(data / "naive", "FROM touched")) == 1


def test_long_with_units_and_unknown_channels(tmp_path: Path, data: Path) -> None:
    text = """\
time;channel;value;unit;note
2026-05-04T04:00:00Z;pot;7,2;bar;first
2026-05-04T04:00:00Z;pot;12,5;mA;
2026-05-04T04:00:00Z;air_temp;59;°F;
2026-05-04T04:00:00Z;deadman;open;;
2026-05-04T04:00:00Z;hopper;3,5;kg;
2026-05-04T04:00:00Z;state;ready;;
2026-05-04T04:00:00Z;pot;1;kg;
"""
    outcome = take(data, written(tmp_path / "card.csv", text))
    assert stored(data) == {
        ("pot-1", "pot", at(4), 720_000.0),
        ("pot-1", "pot_ma", at(4), 12.5),
        ("pot-1", "air_temp", at(4), 15.0),
        ("pot-1", "deadman", at(4), 1.0),
        ("pot-1", "hopper", at(4), 3.5),
        ("pot-1", "state", at(4), "ready"),
    }
    assert outcome.reasons == {"the channel or its unit cannot be taken": 1}
    assert any('"hopper" is no channel' in said for said in outcome.warnings())
    assert any("not read: note" in said for said in outcome.warnings())
    assert query(data, "SELECT channel FROM channel WHERE NOT known ORDER BY 1") == [
        ("hopper",), ("state",),
    ]  # fmt: skip


def test_unix_times(tmp_path: Path, data: Path) -> None:
    base = int(dt.datetime(2026, 5, 4, 4, tzinfo=dt.UTC).timestamp())
    text = f"time,pot_pa\n{base},1\n{base}.25,2\n{base * 1000 + 500},3\n{base * 10**6 + 750000},4\n"
    take(data, written(tmp_path / "card.csv", text))
    assert sorted(row[2] for row in stored(data)) == [
        at(4, 0, 0, quarter * 250_000) for quarter in range(4)
    ]


def test_bad_rows_alone_are_refused_with_line_and_reason(tmp_path: Path, data: Path) -> None:
    text = """\
# box 7, card A
time,pot_kpa,deadman,seq
2026-05-04T04:00:00Z,1,0,1
2026-05-04T04:00:01Z,x,0,2

2026-05-04T04:00:02Z,3,maybe,3
yesterday,4,0,4
,5,0,5
2026-05-04T04:00:05Z,6,0
2026-05-04T04:00:06Z,7,0,7,8
1999-12-31T23:59:59Z,8,0,8
2126-05-04T04:00:00Z,9,0,9
2026-05-04T04:00:09Z,inf,0,10
2026-05-04T04:00:10Z,11,0,1.5
2026-05-04T04:00:11Z,12,"1",12
"""
    outcome = take(data, written(tmp_path / "card.csv", text))
    assert {row[2] for row in stored(data)} == {at(4), at(4, 0, 11)}
    assert outcome.refused == 10
    found = query(
        data, "SELECT detail, reason, payload, source, topic FROM quarantine ORDER BY quarantine_id"
    )
    assert [(detail, reason) for detail, reason, *_ in found] == [
        ("line 4", "a value is not a number"),
        ("line 6", "a switch is neither on nor off"),
        ("line 7", "the time is not a time"),
        ("line 8", "the row has no time"),
        ("line 9", "the row has too many or too few cells"),
        ("line 10", "the row has too many or too few cells"),
        ("line 11", "the time is before 2000"),
        ("line 12", "time more than a day ahead"),
        ("line 13", "a value is not finite"),
        ("line 14", "the message counter is not a whole number"),
    ]
    assert found[0][2:] == (b"2026-05-04T04:00:01Z,x,0,2", "card:card.csv", "pot-1")


def test_bad_rows_of_parquet_alone_are_refused(tmp_path: Path, data: Path) -> None:
    pl.DataFrame(
        {
            "time": [at(4), None, at(4, 0, 2), dt.datetime(1970, 1, 1), at(4, 0, 4), at(4, 0, 5)],
            "pot_pa": [1.0, 2.0, float("inf"), 4.0, 5.0, float("nan")],
            "deadman": [0, 0, 0, 0, 2, 1],
        }
    ).write_parquet(tmp_path / "card.parquet")
    outcome = take(data, tmp_path / "card.parquet")
    assert stored(data) == {
        ("pot-1", "pot", at(4), 1.0),
        ("pot-1", "deadman", at(4), 0.0),
        ("pot-1", "deadman", at(4, 0, 5), 1.0),
    }
    assert outcome.reasons == {
        "the row has no time": 1,
        "a value is not finite": 1,
        "the time is before 2000": 1,
        "a switch is neither on nor off": 1,
    }
    payloads = query(data, "SELECT detail, payload FROM quarantine ORDER BY quarantine_id")
    assert payloads[1] == ("line 3", b"2026-05-04 04:00:02,inf,0")


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("when,pot_kpa", "has no column `time`; it has when, pot_kpa"),
        ("time", "has no column but the time"),
        ("time,pot", 'the column "pot" has no unit; name it pot_pa or pot_kpa'),
        ("time,pot_kg", "kg is no unit of pot; name it pot_pa"),
        ("time,pot_kpa,pot_kpa", 'has the column "pot_kpa" twice'),
        ("time,pot_kpa,pot_psi", "more than one column for pot"),
        ("time,pot_kpa_abs", "is an absolute pressure"),
        ("time,pot_psia", "--atmosphere-kpa"),
        ("", "is empty"),
    ],
)
def test_a_file_that_cannot_be_taken_as_a_whole(
    tmp_path: Path, data: Path, head: str, said: str
) -> None:
    path = written(tmp_path / "card.csv", f"{head}\n")
    with pytest.raises(ImportRefused) as caught:
        take(data, path)
    assert said in str(caught.value) and caught.value.next_step
    assert not store_path(data).exists()


def test_other_refusals(tmp_path: Path, data: Path) -> None:
    with pytest.raises(ImportRefused, match="There is no file"):
        take(data, tmp_path / "none.csv")
    with pytest.raises(ImportRefused, match="holds no CSV, Parquet or SenML"):
        take(data, tmp_path)
    with pytest.raises(ImportRefused, match='did you mean "pot-'):
        bring_in(data, YARD, [written(tmp_path / "card.csv", WIDE)], "pot-11")
    (tmp_path / "torn.parquet").write_bytes(b"PAR1 and then nothing")
    with pytest.raises(ImportRefused, match="not a Parquet file that can be read"):
        take(data, tmp_path / "torn.parquet")
    hopeless = written(tmp_path / "hopeless.csv", "time,pot_kpa\nsoon,1\nlater,2\n")
    with pytest.raises(ImportRefused, match=r"No row of hopeless.csv .* line 2: the time is not"):
        take(data, hopeless)
    assert query(data, "FROM quarantine") == query(data, "FROM import_file") == []


def test_absolute_pressure_is_taken_with_the_air_pressure(tmp_path: Path, data: Path) -> None:
    path = written(tmp_path / "card.csv", "time,pot_kpa_abs\n2026-05-04T04:00:00Z,801.3\n")
    take(data, path, atmosphere_pa=101_300.0)
    ((*_, value),) = stored(data)
    assert value == pytest.approx(700_000.0, abs=1e-6)


def test_local_times_at_the_change_of_clocks(tmp_path: Path, data: Path) -> None:
    text = """\
time,pot_pa
2026-03-29 01:59:59,1
2026-03-29 02:30:00,2
2026-03-29 03:00:00,3
"""
    outcome = take(data, written(tmp_path / "spring.csv", text))
    assert outcome.reasons == {"the local time is not one instant": 1}
    assert {row[2] for row in stored(data)} == {
        dt.datetime(2026, 3, 29, 0, 59, 59), dt.datetime(2026, 3, 29, 1, 0, 0),
    }  # fmt: skip
    autumn = """\
time,pot_pa
2025-10-26 01:59:59,1
2025-10-26 02:30:00,2
2025-10-26 02:30:00+01:00,3
2025-10-26 03:00:00,4
"""
    outcome = take(data / "2", written(tmp_path / "autumn.csv", autumn))
    assert outcome.reasons == {"the local time is not one instant": 1}
    assert {row[2].hour for row in stored(data / "2")} == {23, 1, 2}
    outcome = take(data / "3", tmp_path / "autumn.csv", naive_utc=True)
    assert outcome.refused == 0
    # Without its zone a Parquet time is UTC unless it is said to be local.
    pl.DataFrame(
        {"time": [dt.datetime(2026, 3, 29, 2, 30), dt.datetime(2026, 5, 4, 6)], "pot_pa": [1, 2]}
    ).write_parquet(tmp_path / "p.parquet")
    assert take(data / "4", tmp_path / "p.parquet").refused == 0
    local = take(data / "5", tmp_path / "p.parquet", naive_utc=False)
    assert local.reasons == {"the local time is not one instant": 1}
    assert {row[2] for row in stored(data / "5")} == {at(4)}


# --- twice, cut off, beside live readings ------------------------------------------------------


def everything(data: Path) -> dict[str, list[tuple[object, ...]]]:
    tables = ("sample", "reading", "quarantine", "import_file", "source_count", "touched", "pot")
    return {table: sorted(query(data, f"FROM {table}"), key=str) for table in tables}


def test_twice_changes_nothing(tmp_path: Path, data: Path) -> None:
    path = written(tmp_path / "card.csv", WIDE + "bad,1,1,1,1,1,1\n")
    take(data, path)
    before = everything(data)
    assert len(before["quarantine"]) == 1
    assert take(data, path).brought_in_at is not None
    assert take(data, path.rename(tmp_path / "renamed.csv")).brought_in_at is not None
    assert everything(data) == before
    # Another file with the same rows, and one more.
    more = written(tmp_path / "more.csv", WIDE + "2026-05-04T06:00:00.3+02:00,9,,,,,4\n")
    outcome = take(data, more)
    assert (outcome.readings, outcome.repeated, outcome.conflicts) == (2, 16, 0)
    assert len(stored(data)) == 18
    assert query(data, "SELECT messages, readings, repeated, quarantined FROM source_count") == [
        (2, 18, 16, 1)
    ]


def test_the_same_file_for_another_pot_is_another_matter(tmp_path: Path, data: Path) -> None:
    path = written(tmp_path / "card.csv", WIDE)
    take(data, path)
    (outcome,) = bring_in(data, YARD, [path], "pot-2")
    assert outcome.readings == 16 and len(stored(data)) == 32


def test_a_folder_is_taken_in_order_and_its_copies_once(tmp_path: Path, data: Path) -> None:
    (tmp_path / "b").mkdir()
    written(tmp_path / "b" / "1.csv", WIDE)
    written(tmp_path / "b" / "2.csv", WIDE)
    written(tmp_path / "b" / "note.md", "not a card")
    outcomes = bring_in(data, YARD, [tmp_path / "b"], "pot-1")
    assert [(o.path.name, o.readings) for o in outcomes] == [("1.csv", 16), ("2.csv", 0)]


@pytest.mark.parametrize("fault", ["hopeless", "torn", "unit"])
def test_files_before_one_that_cannot_be_taken_stay_in(
    tmp_path: Path, data: Path, fault: str
) -> None:
    """Small files share a transaction; that must not show."""
    folder = tmp_path / "cards"
    folder.mkdir()
    for second in range(3):
        frame = pl.DataFrame({"time": [at(4, 0, second)], "pot_pa": [float(second)]})
        frame.write_parquet(folder / f"{second}.parquet")
    bad = folder / "3.parquet"
    if fault == "torn":
        bad.write_bytes(b"PAR1")
    else:
        column = "pot" if fault == "unit" else "pot_pa"
        times = pl.Series([None], dtype=pl.Datetime("us"))
        pl.DataFrame({"time": times, column: [1.0]}).write_parquet(bad)
    pl.DataFrame({"time": [at(5)], "pot_pa": [9.0]}).write_parquet(folder / "4.parquet")
    with pytest.raises(ImportRefused, match=r"3\.parquet"):
        bring_in(data, YARD, [folder], "pot-1")
    assert {row[3] for row in stored(data)} == {0.0, 1.0, 2.0}
    assert query(data, "SELECT name, readings FROM import_file ORDER BY import_id") == [
        (f"{second}.parquet", 1) for second in range(3)
    ]
    bad.unlink()
    outcomes = bring_in(data, YARD, [folder], "pot-1")
    assert [outcome.readings for outcome in outcomes] == [0, 0, 0, 1]


def test_an_import_that_was_cut_off_is_taken_up_again(
    tmp_path: Path, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = "".join(f"2026-05-04T04:00:{s:02d}Z,{s}\n" for s in range(60))
    path = written(tmp_path / "card.csv", "time,pot_pa\nbad,1\n" + lines)
    monkeypatch.setattr(files, "_BLOCK_BYTES", 300)

    class Killed(Exception):
        pass

    done: list[float] = []

    def cut_off(path: Path, fraction: float) -> None:
        done.append(fraction)
        if len(done) == 3:
            raise Killed

    with pytest.raises(Killed):
        take(data, path, progress=cut_off)
    part = len(stored(data))
    assert 0 < part < 60
    outcome = take(data, path)
    assert (outcome.readings, outcome.repeated) == (60 - part, part)
    assert {row[3] for row in stored(data)} == {float(s) for s in range(60)}
    assert query(data, "SELECT detail, reason FROM quarantine") == [
        ("line 2", "the time is not a time")
    ]
    assert query(data, "SELECT import_id, refused FROM import_file") == [(1, 1)]
    assert take(data, path).brought_in_at is not None


def live(data: Path, *readings: tuple[str, str, dt.datetime, float]) -> None:
    frame = pl.DataFrame(
        [("pot-1", c, u, when, when, v, 17) for c, u, when, v in readings],
        schema={
            "pot": pl.String, "channel": pl.String, "unit": pl.String,
            "sampled_at": pl.Datetime("us"), "arrived_at": pl.Datetime("us"),
            "value": pl.Float64, "message_id": pl.Int64,
        },
        orient="row",
    )  # fmt: skip
    with write_window(data) as con:
        insert_readings(con, frame)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_card_beside_live_readings(tmp_path: Path, data: Path, kind: str) -> None:
    """Same value: repeated. Other value: the first stays, the other is quarantined."""
    live(
        data,
        ("pot", "Pa", at(4), 1000.0),
        ("pot", "Pa", at(4, 0, 1), 2000.0),
        ("humidity", "%RH", at(4), 50.0),
        ("humidity", "%RH", at(4, 0, 1), 51.0),
    )
    path = tmp_path / f"card.{kind}"
    frame = pl.DataFrame(
        {
            "time": [at(4), at(4, 0, 1), at(4, 0, 2)],
            "pot_pa": [1000.0, 2001.0, 3000.0],
            "supply_pa": [7000.0, 7001.0, 7002.0],
            "humidity": [50.0, 52.0, 53.0],
        }
    )
    if kind == "csv":
        frame.write_csv(path)
    else:
        frame.write_parquet(path)
    for dry_run in (True, False):
        outcome = take(data, path, dry_run=dry_run, naive_utc=True)
        assert (outcome.readings, outcome.repeated, outcome.conflicts) == (5, 2, 2)
    assert stored(data) == {
        ("pot-1", "pot", at(4), 1000.0), ("pot-1", "pot", at(4, 0, 1), 2000.0),
        ("pot-1", "pot", at(4, 0, 2), 3000.0),
        ("pot-1", "supply", at(4), 7000.0), ("pot-1", "supply", at(4, 0, 1), 7001.0),
        ("pot-1", "supply", at(4, 0, 2), 7002.0),
        ("pot-1", "humidity", at(4), 50.0), ("pot-1", "humidity", at(4, 0, 1), 51.0),
        ("pot-1", "humidity", at(4, 0, 2), 53.0),
    }  # fmt: skip
    assert query(data, "SELECT count(*) FROM sample") == [(3,)]
    found = query(data, "SELECT reason, detail, payload FROM quarantine ORDER BY detail")
    assert [reason for reason, *_ in found] == ["another value for an instant already stored"] * 2
    assert [detail[:13] for _, detail, _ in found] == ["1 of humidity", "1 of pot_pa, "]
    assert b"2001.0" in found[1][2]


def test_instants_twice_in_one_file(tmp_path: Path, data: Path) -> None:
    text = """\
time,pot_pa,supply_pa,humidity
2026-05-04T04:00:01Z,2,,
2026-05-04T04:00:00Z,1,,5
2026-05-04T04:00:01Z,,7,
2026-05-04T04:00:01Z,2,8,
2026-05-04T04:00:00Z,,,5
"""
    outcome = take(data, written(tmp_path / "card.csv", text))
    assert stored(data) == {
        ("pot-1", "pot", at(4), 1.0),
        ("pot-1", "pot", at(4, 0, 1), 2.0),
        ("pot-1", "supply", at(4, 0, 1), 7.0),
        ("pot-1", "humidity", at(4), 5.0),
    }
    assert (outcome.readings, outcome.repeated, outcome.conflicts) == (4, 2, 1)


def test_values_out_of_range_are_kept_and_flagged(tmp_path: Path, data: Path) -> None:
    frame = pl.DataFrame({"time": [at(4), at(5)], "pot_pa": [3e6, 5e5], "supply_pa": [-3e4, 5e5]})
    frame.write_parquet(tmp_path / "card.parquet")
    take(data, tmp_path / "card.parquet")
    assert query(data, "SELECT pot_pa, supply_pa, quality FROM sample ORDER BY sampled_at") == [
        (3e6, -3e4, 1 | 4), (5e5, 5e5, 0),
    ]  # fmt: skip


def test_a_dry_run_writes_nothing_and_says_the_same(tmp_path: Path, data: Path) -> None:
    path = written(tmp_path / "card.csv", WIDE + "bad,1,1,1,1,1,1\n")
    looked = take(data, path, dry_run=True)
    assert not data.exists()
    taken = take(data, path)
    for name in ("rows", "readings", "repeated", "refused", "reasons", "counts", "from_at", "to_at",
                 "rate_hz"):  # fmt: skip
        assert getattr(looked, name) == getattr(taken, name), name
    before = everything(data)
    again = take(data, path, dry_run=True)
    assert again.brought_in_at is not None
    assert (again.readings, again.repeated) == (0, 16)
    assert everything(data) == before


def test_a_unit_that_cannot_be_right_is_pointed_at(tmp_path: Path, data: Path) -> None:
    text = "time,channel,value\n2026-05-04T04:00:00Z,pot,7.2\n2026-05-04T04:00:01Z,pot,0.1\n"
    outcome = take(data, written(tmp_path / "card.csv", text), dry_run=True)
    assert outcome.warnings() == [
        "the largest value of pot is 7 Pa; look whether its unit is right"
    ]


def test_unknown_columns_are_kept_and_a_likely_one_is_named(tmp_path: Path, data: Path) -> None:
    text = "time,suply_kpa,remark\n2026-05-04T04:00:00Z,700,all well\n"
    outcome = take(data, written(tmp_path / "card.csv", text))
    assert stored(data) == {
        ("pot-1", "suply", at(4), 700.0), ("pot-1", "remark", at(4), "all well"),
    }  # fmt: skip
    assert "did you mean supply" in outcome.warnings()[0]


# --- properties ------------------------------------------------------------------------------

_UNITS = {
    "pa": 1.0,
    "hpa": 1e2,
    "mbar": 1e2,
    "kpa": 1e3,
    "bar": 1e5,
    "mpa": 1e6,
    "psi": 6894.757293,
}


@given(st.sampled_from(sorted(_UNITS)), st.floats(0, 2_000_000), st.sampled_from(["", "g", "_g"]))
def test_pressures_come_back_whatever_their_unit(unit: str, pressure: float, gauge: str) -> None:
    column = column_of(f"Pot ({unit}{gauge})".replace("(_", "("))
    assert (column.channel, column.unit) == ("pot", "Pa")
    written_value = pressure / _UNITS[unit]
    assert written_value * column.factor + column.offset == pytest.approx(pressure, rel=1e-9)
    assert series_column("pot", unit + gauge) == column._replace(name="pot")


def test_the_psi_is_that_of_its_definition() -> None:
    # check-values: 1 psi = 6.894757 kPa
    assert column_of("pot_psi").factor == pytest.approx(6894.757, abs=5e-4)


_INSTANTS = st.integers(0, 40).map(lambda tenth: at(4, 0, tenth // 10, tenth % 10 * 100_000))
_READINGS = st.dictionaries(
    st.tuples(st.sampled_from(["pot", "supply", "deadman", "humidity", "widget"]), _INSTANTS),
    st.integers(0, 1_000),
    min_size=1,
    max_size=25,
)


_READINGS_IN_AN_ORDER = given(_READINGS, st.randoms(use_true_random=False))


@settings(max_examples=4, deadline=None)
@_READINGS_IN_AN_ORDER
def test_long_and_wide_csv_and_parquet_give_the_same(
    readings: dict[tuple[str, dt.datetime], int], random: object
) -> None:
    headings = {"pot": "pot_pa", "supply": "supply_pa", "deadman": "deadman",
                "humidity": "humidity", "widget": "widget"}  # fmt: skip
    values = {
        key: float(value % 2 if key[0] == "deadman" else value) for key, value in readings.items()
    }
    order = list(values.items())
    random.shuffle(order)  # type: ignore[attr-defined]
    long = pl.DataFrame(
        [(when, channel, value) for (channel, when), value in order],
        schema={"time": pl.Datetime("us"), "channel": pl.String, "value": pl.Float64},
        orient="row",
    )
    used = sorted({channel for channel, _ in values})
    wide = pl.DataFrame(
        [
            (when, *(values.get((channel, when)) for channel in used))
            for when in dict.fromkeys(when for (_, when), _ in order)
        ],
        schema={"time": pl.Datetime("us"), **{headings[c]: pl.Float64 for c in used}},
        orient="row",
    )
    expected = {("pot-1", channel, when, value) for (channel, when), value in values.items()}
    with tempfile.TemporaryDirectory() as folder:
        for name, frame in (("long", long), ("wide", wide)):
            csv, parquet = Path(folder, f"{name}.csv"), Path(folder, f"{name}.parquet")
            frame.write_csv(csv)
            frame.write_parquet(parquet)
            for path in (csv, parquet):
                data = Path(folder, f"data-{path.name}")
                outcome = take(data, path, naive_utc=True)
                assert stored(data) == expected
                assert outcome.readings == len(expected)
        # And over one another they change nothing.
        first = Path(folder, "data-long.csv")
        outcome = take(first, Path(folder, "wide.parquet"))
        assert (outcome.readings, outcome.repeated) == (0, len(expected))
        assert stored(first) == expected


test_long_and_wide_csv_and_parquet_give_the_same_many_times = pytest.mark.slow(
    settings(max_examples=24, deadline=None)(
        _READINGS_IN_AN_ORDER(
            test_long_and_wide_csv_and_parquet_give_the_same.hypothesis.inner_test
        )
    )
)


def test_memory_stays_bounded_by_slices(
    tmp_path: Path, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "SLICE_ROWS", 10)
    frame = pl.DataFrame(
        {"time": [at(4, 0, s) for s in range(35)], "pot_pa": [float(s) for s in range(35)]}
    )
    frame.write_parquet(tmp_path / "card.parquet")
    options = card_form.Options(YARD.site.zone, None, None, 2**62)
    form = card_form.inspect(tmp_path / "card.parquet", options)
    assert [piece.rows for piece in files.slices(form, options)] == [10, 10, 10, 5]
    assert take(data, tmp_path / "card.parquet").readings == 35
    assert len(stored(data)) == 35
    assert card_import.bring_in(data, YARD, [tmp_path / "card.parquet"], "pot-1")[0].brought_in_at
