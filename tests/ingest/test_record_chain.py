"""The chain over people's records: whole as entered, broken by any edit, made for older stores."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import checks_store, photos, records
from ingest.config import Yard, parse_yard
from ingest.errors import RecordRefused
from ingest.store import migrations, record_chain, records_log, repair
from ingest.store.connection import read_window, store_path, write_window

YARD = """
[site]
name = "north-yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
"""
NOW = dt.datetime(2026, 5, 4, 16, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def described() -> Yard:
    return parse_yard(YARD)


def entered(data: Path, yard: Yard, count: int = 6) -> list[str]:
    return [
        records.add(
            data, yard, "abrasive", {"pot": "pot-1", "bags": n + 1}, f"Tender {n % 2}", "command",
            NOW + dt.timedelta(minutes=n),
        )
        for n in range(count)
    ]  # fmt: skip


def faults(data: Path) -> list[record_chain.Fault]:
    with read_window(data) as con:
        return record_chain.faults(con, records_log.read(data).rows)


def test_a_link_is_the_digest_of_the_link_before_and_the_row(
    tmp_path: Path, described: Yard
) -> None:
    """SHA-256 over JSON text, made here by hand from what the docstring says."""
    entered(tmp_path, described, 2)
    with read_window(tmp_path) as con:
        rows = con.execute("FROM record ORDER BY number").fetchall()
        assert record_chain.seal_of(con).number == 2
    before = "0" * 64
    for row in rows:
        *content, number, link = row
        content[2] = content[2].isoformat(timespec="microseconds")
        text = json.dumps(["gritbook record 1", before, number, *content])
        before = hashlib.sha256(text.encode()).hexdigest()
        assert before == link
    assert faults(tmp_path) == []


EDITS = {
    "body": "body = replace(body, '\"bags\": 3', '\"bags\": 4')",
    "recorded_by": "recorded_by = 'Somebody'",
    "recorded_at": "recorded_at = recorded_at + INTERVAL 1 MICROSECOND",
    "kind": "kind = 'area'",
    "via": "via = 'page'",
    "reason": "reason = 'x'",
    "withdrawn": "withdrawn = true",
    "supersedes": "supersedes = 'zzzz'",
    "record_id": "record_id = 'zzzz'",
    "link": "link = md5('x')",
}


def test_any_edit_of_a_row_is_named(tmp_path: Path, described: Yard) -> None:
    ids = entered(tmp_path, described)
    with write_window(tmp_path) as con:
        con.execute("CREATE TEMP TABLE whole AS FROM record")
        for column, edit in EDITS.items():
            con.execute(f"UPDATE record SET {edit} WHERE number = 3")
            found = record_chain.faults(con)  # without the log: the chain alone shows it
            assert found and found[0].number == 3, column
            assert "is not as it was entered" in found[0].what
            assert (ids[2] if column != "record_id" else "zzzz") in found[0].what
            said = [f.what for f in checks_store.check_records(con, tmp_path) if f.status == "fail"]
            assert any("Row 3 (" in sentence for sentence in said), column
            con.execute("DELETE FROM record")
            con.execute("INSERT INTO record FROM whole")
            assert record_chain.faults(con) == []


def test_a_row_taken_out_or_put_in_is_named(tmp_path: Path, described: Yard) -> None:
    ids = entered(tmp_path, described)
    with write_window(tmp_path) as con:
        con.execute("DELETE FROM record WHERE number IN (3, 4)")
    assert faults(tmp_path)[0].what.startswith("Row 3 to row 4, before row 5 (")
    with write_window(tmp_path) as con:
        con.execute(
            "INSERT INTO record SELECT 'aaaa', * EXCLUDE record_id FROM record WHERE number = 2"
        )
        con.execute(
            "INSERT INTO record SELECT 'bbbb', * EXCLUDE (record_id, number, link), NULL, NULL "
            "FROM record WHERE number = 1"
        )
    said = " ".join(f.what for f in faults(tmp_path))
    assert "there are two of its number" in said
    assert "Row without a number (bbbb" in said and "past the chain" in said
    assert all(f"{gone}: abrasive" in said for gone in ids[2:4]), "the log still has them"


def test_rows_off_the_end_show_by_the_log_and_by_a_seal(tmp_path: Path, described: Yard) -> None:
    ids = entered(tmp_path, described)
    with read_window(tmp_path) as con:
        seal = record_chain.seal_of(con)
    assert record_chain.parse_seal(str(seal)) == seal
    with write_window(tmp_path) as con:
        con.execute("DELETE FROM record WHERE number > 4")
        assert record_chain.faults(con) == []
        assert not record_chain.stands(con, seal)
    assert [f.record_id for f in faults(tmp_path)] == ids[4:]


def test_a_chain_made_anew_shows_by_the_log_and_by_a_seal(tmp_path: Path, described: Yard) -> None:
    entered(tmp_path, described)
    with read_window(tmp_path) as con:
        seal = record_chain.seal_of(con)
    with write_window(tmp_path) as con:
        con.execute("UPDATE record SET recorded_by = 'Somebody' WHERE number = 2")
        con.execute("UPDATE record SET number = NULL, link = NULL")
        record_chain.number_rest(con)
        assert record_chain.faults(con) == []
        assert not record_chain.stands(con, seal)
    assert faults(tmp_path)[0].what.endswith("reads otherwise in records.log (recorded_by).")


@pytest.mark.usefixtures("stores_made_anew")
def test_an_older_store_gets_its_chain_and_the_log_its_links(
    tmp_path: Path, described: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = [m.__name__ for m in migrations.MIGRATIONS].index("m007_record_chain")
    rest = ("T", "page", None, False, "", '{"pot": "p"}')
    rows = [(f"a{n}", "abrasive", dt.datetime(2026, 1, 1 + n), *rest) for n in range(5)]
    with monkeypatch.context() as older:
        older.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:number])
        with write_window(tmp_path) as con:
            con.executemany(f"INSERT INTO record VALUES ({', '.join('?' * 9)})", rows)
    # As the log was written then: nine columns a line.
    short = records_log.COLUMNS[:9]
    with monkeypatch.context() as older:
        older.setattr(records_log, "COLUMNS", short)
        records_log.append(tmp_path, [dict(zip(short, row, strict=True)) for row in rows])
    with write_window(tmp_path) as con:
        assert record_chain.seal_of(con).number == 5
        assert record_chain.faults(con, records_log.read(tmp_path).rows) == []
    entered(tmp_path, described, 1)
    kept = records_log.read(tmp_path).rows
    assert [row["number"] for row in sorted(kept, key=lambda row: row["number"])] == [*range(1, 7)]
    assert faults(tmp_path) == []


def test_a_store_made_anew_has_the_same_seal(tmp_path: Path, described: Yard) -> None:
    entered(tmp_path, described)
    with read_window(tmp_path) as con:
        seal = record_chain.seal_of(con)
    store_path(tmp_path).unlink()
    repair.rebuild(tmp_path, described.pot_names)
    with read_window(tmp_path) as con:
        assert record_chain.seal_of(con) == seal
        assert record_chain.faults(con, records_log.read(tmp_path).rows) == []


@settings(max_examples=25, deadline=None)
@given(
    place=st.integers(0, 4),
    column=st.sampled_from(["record_id", "kind", "recorded_by", "via", "reason", "body"]),
    text=st.text(min_size=1, max_size=5).filter(lambda t: "\0" not in t and t.isprintable()),
)
def test_no_edit_of_a_text_leaves_the_chain_whole(place: int, column: str, text: str) -> None:
    con = duckdb.connect()
    migrations.apply(con)
    for n in range(5):
        row = (f"r{n}", "crew", dt.datetime(2026, 1, 1 + n), "T", "page", None, False, "", "{}")
        con.execute(f"INSERT INTO record VALUES ({', '.join('?' * 9)}, NULL, NULL)", row)
    record_chain.number_rest(con)
    assert record_chain.faults(con) == []
    con.execute(
        f"UPDATE record SET {column} = {column} || $text WHERE number = $n",
        {"text": text, "n": place + 1},
    )
    assert [fault.number for fault in record_chain.faults(con)] == [place + 1]
    con.close()


# --- photos ----------------------------------------------------------------------------------

JPEG = bytes.fromhex("ffd8ffe000104a46494600") + bytes(range(200)) + bytes.fromhex("ffd9")


def test_a_photo_is_kept_by_its_digest_and_an_exchanged_one_shows(
    tmp_path: Path, described: Yard
) -> None:
    name = photos.keep(tmp_path, JPEG)
    assert name == f"{hashlib.sha256(JPEG).hexdigest()}.jpg"
    assert photos.keep(tmp_path, JPEG) == name
    assert [path.name for path in (tmp_path / "photos").iterdir()] == [name]
    body = {"pot": "pot-1", "part": "pinch_hose", "result": "good", "photo": name}
    records.add(tmp_path, described, "check", body, "Tender", "page", NOW)
    with read_window(tmp_path) as con:
        assert [f.status for f in checks_store.check_records(con, tmp_path)] == ["ok"]
    photos.photo_path(tmp_path, name).write_bytes(JPEG + b"x")
    assert photos.read(tmp_path, name) is None
    with read_window(tmp_path) as con:
        (lost,) = [f for f in checks_store.check_records(con, tmp_path) if f.subject == "photos"]
    assert lost.status == "fail" and lost.what == f"The photo {name} is changed."
    with pytest.raises(RecordRefused, match="is not in"):
        records.add(tmp_path, described, "check", body, "Tender", "page", NOW)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no whole JPEG"),
        (b"<svg/>", "no whole JPEG"),
        (JPEG[:50], "no whole JPEG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(40), "no whole JPEG"),
        (JPEG + bytes(photos.LARGEST_BYTES), "at most 16 are taken"),
    ],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    with pytest.raises(RecordRefused, match=said):
        photos.keep(tmp_path, content)
    assert not (tmp_path / "photos").exists()


def test_a_photos_name_cannot_lead_elsewhere(tmp_path: Path, described: Yard) -> None:
    for name in ("../yard.toml", "a" * 64 + ".svg", "A" * 64 + ".jpg"):
        with pytest.raises(ValueError, match="no photo's name"):
            photos.photo_path(tmp_path, name)
        body = {"pot": "pot-1", "part": "pinch_hose", "result": "good", "photo": name}
        with pytest.raises(RecordRefused, match="photo"):
            records.add(tmp_path, described, "check", body, "Tender", "page", NOW)
