"""People's records: what is taken, what is refused, and that nothing is ever lost or altered."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import tempfile
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import part_frames
from ingest import record_ids, record_rows, records
from ingest.config import Yard, parse_yard
from ingest.errors import RecordRefused, StoreBusy
from ingest.store import record_chain
from ingest.store.connection import read_window, write_window

YARD_TEXT = """
[site]
name = "north-yard"
time_zone = "Europe/Berlin"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 862000
"""

NOW = dt.datetime(2026, 5, 4, 16, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def yard() -> Yard:
    return parse_yard(YARD_TEXT)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def worked(data: Path, worked_once: Path) -> Path:
    """A store with a crew, a job and a shift on pot-1."""
    return Path(shutil.copytree(worked_once, data))


@pytest.fixture(scope="module")
def worked_once(tmp_path_factory: pytest.TempPathFactory, yard: Yard) -> Path:
    data = tmp_path_factory.mktemp("worked")
    enter(data, yard, "crew", crew="Blue", size=3)
    enter(data, yard, "job", job="Girders", item="bridge girders", prep_grade="Sa 2.5")
    enter(data, yard, "shift", **SHIFT)
    return data


SHIFT = {
    "shift": "2026-05-04 day", "crew": "Blue", "job": "Girders", "pots": ["pot-1"],
    "from_at": "2026-05-04T06:00", "to_at": "2026-05-04T16:00",
}  # fmt: skip


def enter(data: Path, yard: Yard, kind: str, **body: object) -> str:
    return records.add(data, yard, kind, body, "Tender", "command", NOW)


def standing(data: Path, kind: str) -> list[dict[str, object]]:
    with read_window(data) as con:
        return record_rows.current(con, kind)


def refusal(data: Path, yard: Yard, kind: str, **body: object) -> str:
    with pytest.raises(RecordRefused) as caught:
        enter(data, yard, kind, **body)
    assert caught.value.next_step, "a refusal says what to do"
    return str(caught.value)


def test_wall_clock_times_are_kept_as_utc(worked: Path) -> None:
    (shift,) = standing(worked, "shift")
    assert shift["from_at"] == dt.datetime(2026, 5, 4, 4, 0, tzinfo=dt.UTC)
    assert shift["to_at"] == dt.datetime(2026, 5, 4, 14, 0, tzinfo=dt.UTC)
    assert shift["recorded_at"] == NOW
    assert shift["people"] is None


def test_every_kind_is_kept_as_entered(worked: Path, yard: Yard) -> None:
    entered = {
        "area": {"job": "Girders", "shift": SHIFT["shift"], "pot": "pot-1", "area_m2": 41.5},
        "abrasive": {"pot": "pot-1", "bags": 12, "abrasive": "garnet 30/60", "bag_kg": 25},
        "part_fitted": {"pot": "pot-1", "part": "pinch_hose", "tag": "H17", "note": "short one"},
        "check": {"pot": "pot-2", "part": "relief_valve", "result": "good", "measurement": "8.6"},
    }
    for kind, body in entered.items():
        enter(worked, yard, kind, **body)
        (row,) = standing(worked, kind)
        assert {key: row[key] for key in body} == body
        assert row["at"] == NOW, "without a time of its own it happened when it was entered"


@pytest.mark.parametrize(
    ("kind", "body", "said"),
    [
        ("area", {"area_m2": -3}, ["area_m2 = -3: expected a number above 0"]),
        ("area", {"area_m2": "lots"}, ['area_m2 = "lots": expected a number']),
        ("area", {"pot": "pot-3"}, ['no pot "pot-3"; did you mean "pot-']),
        ("area", {"pot": "pot-2"}, ["had pot-1, not pot-2"]),
        ("area", {"job": "Gidrers"}, ['no job "Gidrers"; did you mean Girders?', "record job"]),
        ("area", {"shift": "2026-05-04 dya"}, ["did you mean 2026-05-04 day?", "record shift"]),
        ("area", {"colour": "red"}, ['colour = "red": there is no such key']),
        ("area", {"at": "2026-05-06T12:00"}, ["2026-05-06T10:00:00Z is later than its entry"]),
        ("area", {"at": "yesterday"}, ["'yesterday' is not a date or time"]),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    worked: Path, yard: Yard, kind: str, body: dict[str, object], said: list[str]
) -> None:
    good: dict[str, object] = {
        "job": "Girders", "shift": SHIFT["shift"], "pot": "pot-1", "area_m2": 10,
    }  # fmt: skip
    sentence = refusal(worked, yard, kind, **(good | body))
    for words in said:
        assert words in sentence
    assert standing(worked, kind) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"to_at": "2026-05-04T05:00"}, "must end after it begins"),
        ({"to_at": "2026-05-06T05:00"}, "a shift of 47.0 h is longer than 24 h"),
        ({"pots": []}, "pots = []: expected at least one entry"),
        ({"pots": ["pot-2", "pot-2"]}, "a pot is named twice"),
        ({"shift": "b", "crew": "Bleu"}, 'no crew "Bleu"; did you mean Blue?'),
        ({"from_at": "2026-03-29T02:30", "to_at": "2026-03-29T09:00"}, "did not exist"),
        ({"from_at": "2026-10-25T02:30", "to_at": "2026-10-25T09:00"}, "happened twice"),
        ({}, 'There is a shift "2026-05-04 day" already'),
        ({"shift": "other", "from_at": "2026-05-04T15:59", "to_at": "2026-05-04T20:00"},
         "pot-1 is in the shift 2026-05-04 day from 2026-05-04 04:00"),
    ],
)  # fmt: skip
def test_a_shift_that_cannot_be_is_refused(
    worked: Path, yard: Yard, change: dict[str, object], said: str
) -> None:
    assert said in refusal(worked, yard, "shift", **(SHIFT | change))
    assert len(standing(worked, "shift")) == 1


def test_an_hour_that_happened_twice_can_be_told_by_its_offset(worked: Path, yard: Yard) -> None:
    enter(
        worked, yard, "shift",
        **(SHIFT | {"shift": "n", "from_at": "2026-10-25T02:30+01:00", "to_at": "2026-10-25T09:00"})
    )  # fmt: skip
    (night,) = [row for row in standing(worked, "shift") if row["shift"] == "n"]
    assert night["from_at"] == dt.datetime(2026, 10, 25, 1, 30, tzinfo=dt.UTC)


def test_a_shift_may_begin_where_another_ends(worked: Path, yard: Yard) -> None:
    late = {"shift": "late", "from_at": "2026-05-04T16:00", "to_at": "2026-05-05T00:30"}
    enter(worked, yard, "shift", **(SHIFT | late))
    assert {row["shift"] for row in standing(worked, "shift")} == {SHIFT["shift"], "late"}


@pytest.mark.parametrize("typed", ["Sa 2½", "sa2.5", "SA 2 1/2", "Sa 2,5", "2.5", "Sa2½"])
def test_preparation_grades_are_written_one_way(data: Path, yard: Yard, typed: str) -> None:
    enter(data, yard, "job", job="j", prep_grade=typed, rust_grade="c")
    (job,) = standing(data, "job")
    assert (job["prep_grade"], job["rust_grade"]) == ("Sa 2½", "C")


def test_other_grades_are_refused(data: Path, yard: Yard) -> None:
    assert "expected Sa 1" in refusal(data, yard, "job", job="j", prep_grade="Sa 4")
    assert "coated" in refusal(data, yard, "job", job="j", rust_grade="E")


def test_unknown_kind_and_nobody(data: Path, yard: Yard) -> None:
    assert 'did you mean "crew"?' in refusal(data, yard, "crwe", crew="x")
    with pytest.raises(RecordRefused, match="--by"):
        records.add(data, yard, "crew", {"crew": "x", "size": 1}, "  ", "command")


# --- corrections -----------------------------------------------------------------------------


def test_a_correction_supersedes_and_keeps_the_old_row(worked: Path, yard: Yard) -> None:
    first = enter(worked, yard, "abrasive", pot="pot-1", bags=12)
    second = records.correct(
        worked, yard, first[-6:], {"pot": "pot-1", "bags": 10}, "Supervisor", "counted twice",
        at=NOW + dt.timedelta(hours=1),
    )  # fmt: skip
    (row,) = standing(worked, "abrasive")
    assert (row["record_id"], row["bags"], row["supersedes"]) == (second, 10, first)
    with read_window(worked) as con:
        for asked in (first, second):
            chain = record_rows.history(con, asked)
            assert [r["record_id"] for r in chain] == [first, second]
            assert [r["bags"] for r in chain] == [12, 10]
            assert [r["recorded_by"] for r in chain] == ["Tender", "Supervisor"]
            assert chain[1]["reason"] == "counted twice"


def test_of_two_corrections_at_once_the_second_is_refused(worked: Path, yard: Yard) -> None:
    first = enter(worked, yard, "abrasive", pot="pot-1", bags=12)
    outcomes: list[str] = []

    def correct(bags: int) -> None:
        try:
            body = {"pot": "pot-1", "bags": bags}
            outcomes.append(records.correct(worked, yard, first, body, f"P{bags}", "miscounted"))
        except RecordRefused as error:
            outcomes.append(f"refused: {error}")

    threads = [threading.Thread(target=correct, args=(bags,)) for bags in (10, 11)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    refused = [outcome for outcome in outcomes if outcome.startswith("refused")]
    (won,) = set(outcomes) - set(refused)
    assert len(refused) == 1
    assert "corrected the record" in refused[0] and won in refused[0]
    assert [row["record_id"] for row in standing(worked, "abrasive")] == [won]


def test_withdrawn_is_gone_but_in_the_history_and_can_come_back(worked: Path, yard: Yard) -> None:
    first = enter(worked, yard, "abrasive", pot="pot-1", bags=12)
    gone = records.withdraw(worked, first, "Supervisor", "wrong pot")
    assert standing(worked, "abrasive") == []
    with pytest.raises(RecordRefused, match="withdrew"):
        records.withdraw(worked, first, "Supervisor", "again")
    with pytest.raises(RecordRefused, match="already"):
        records.withdraw(worked, gone, "Supervisor", "again")
    back = records.correct(worked, yard, gone, {"pot": "pot-1", "bags": 12}, "S", "right after all")
    assert [row["record_id"] for row in standing(worked, "abrasive")] == [back]
    with read_window(worked) as con:
        assert [row["withdrawn"] for row in record_rows.history(con, first)] == [False, True, False]


def test_what_others_refer_to_cannot_go(worked: Path, yard: Yard) -> None:
    enter(worked, yard, "area", job="Girders", shift=SHIFT["shift"], pot="pot-1", area_m2=5)
    ids = {kind: standing(worked, kind)[0]["record_id"] for kind in ("crew", "job", "shift")}
    for record_id in ids.values():
        with pytest.raises(RecordRefused, match=r"cannot be withdrawn: 1 .* refers to it"):
            records.withdraw(worked, str(record_id), "S", "wrong")
    with pytest.raises(RecordRefused, match="cannot be renamed"):
        records.correct(worked, yard, str(ids["crew"]), {"crew": "Red", "size": 3}, "S", "name")
    with pytest.raises(RecordRefused, match="cannot do without pot-1"):
        records.correct(worked, yard, str(ids["shift"]), SHIFT | {"pots": ["pot-2"]}, "S", "pot")
    records.correct(worked, yard, str(ids["crew"]), {"crew": "Blue", "size": 4}, "S", "one more")
    assert standing(worked, "crew")[0]["size"] == 4


def test_correction_needs_a_reason_and_a_record(worked: Path, yard: Yard) -> None:
    first = enter(worked, yard, "abrasive", pot="pot-1", bags=12)
    with pytest.raises(RecordRefused, match="needs a reason"):
        records.correct(worked, yard, first, {"pot": "pot-1", "bags": 1}, "S", " ")
    with pytest.raises(RecordRefused, match="There is no record"):
        records.withdraw(worked, "zzzzzzzz", "S", "x")


def test_a_busy_store_says_what_was_typed(worked: Path, yard: Yard) -> None:
    held, release = threading.Event(), threading.Event()

    def hold() -> None:
        # A reader in this process shuts the writer out, as one in another process does.
        with read_window(worked):
            held.set()
            release.wait(120)

    holder = threading.Thread(target=hold)
    holder.start()
    assert held.wait(60)
    try:
        with pytest.raises(StoreBusy) as caught:
            records.add(
                worked, yard, "abrasive", {"pot": "pot-1", "bags": 17, "abrasive": "garnet"},
                "Tender", "command", NOW, wait_s=0.2,
            )  # fmt: skip
    finally:
        release.set()
        holder.join()
    assert 'NOT saved: {"pot": "pot-1", "bags": 17, "abrasive": "garnet"}' in str(caught.value)
    assert standing(worked, "abrasive") == []


def test_ids_sort_by_time_of_entry(data: Path, yard: Yard) -> None:
    times = [NOW + dt.timedelta(milliseconds=n) for n in (0, 1, 40, 3_600_000, 10**10)]
    ids = [
        records.add(data, yard, "crew", {"crew": f"c{n}", "size": 1}, "T", "page", at)
        for n, at in enumerate(times)
    ]
    assert ids == sorted(ids) and len(set(ids)) == len(ids)


# --- files of records ------------------------------------------------------------------------


def write_lines(path: Path, *lines: dict[str, object]) -> Path:
    path.write_text("\n".join(json.dumps(line) for line in lines) + "\n", encoding="utf-8")
    return path


def line(kind: str, **body: object) -> dict[str, object]:
    return {"kind": kind, "recorded_at": "2026-05-04T18:00", "recorded_by": "Tender", "body": body}


def test_a_file_is_taken_whole_and_only_once(tmp_path: Path, data: Path, yard: Yard) -> None:
    lines = [
        line("crew", crew="Blue", size=3),
        line("job", job="Girders"),
        line("shift", **SHIFT),
        line("area", job="Girders", shift=SHIFT["shift"], pot="pot-1", area_m2=12.5),
    ]
    path = write_lines(tmp_path / "records.jsonl", *lines)
    assert records.load_file(data, yard, path) == records.Loaded(4, 0)
    (area,) = standing(data, "area")
    assert area["at"] == area["recorded_at"] == NOW
    assert area["via"] == "file"
    assert records.load_file(data, yard, path) == records.Loaded(0, 4)

    # Once corrected, the line must not come back.
    records.correct(
        data, yard, str(area["record_id"]),
        {"job": "Girders", "shift": SHIFT["shift"], "pot": "pot-1", "area_m2": 11}, "S", "measured",
        at=NOW,
    )  # fmt: skip
    write_lines(path, *lines, line("abrasive", pot="pot-1", bags=3))
    assert records.load_file(data, yard, path) == records.Loaded(1, 4)
    assert [row["area_m2"] for row in standing(data, "area")] == [11]


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (line("area", job="None", shift="None", pot="pot-1", area_m2=1), 'no job "None"'),
        (line("crew", crew="Blue", size=0), "expected a number at least 1"),
        (line("crew", crew="Blue", size=4), 'There is a crew "Blue" already'),
        ({"kind": "crew"}, "not a JSON object with kind"),
        (line("crew", crew="R", size=4) | {"colour": "red"}, "unknown key colour"),
        (line("crew", crew="R", size=4) | {"recorded_by": ""}, "Nobody is named"),
    ],
)
def test_a_bad_line_is_named_and_nothing_is_taken(
    tmp_path: Path, data: Path, yard: Yard, bad: dict[str, object], said: str
) -> None:
    path = write_lines(tmp_path / "records.jsonl", line("crew", crew="Blue", size=3), bad)
    with pytest.raises(RecordRefused) as caught:
        records.load_file(data, yard, path)
    assert "records.jsonl, line 2: " in str(caught.value) and said in str(caught.value)
    with write_window(data) as con:
        assert record_rows.current(con, "crew") == []


# --- properties ------------------------------------------------------------------------------

_STEPS = st.lists(
    st.tuples(
        st.sampled_from(["add", "correct", "withdraw"]),
        st.integers(0, 20),
        st.integers(1, 99),
    ),
    max_size=12,
)


@settings(max_examples=6, deadline=None)
@given(_STEPS)
def test_chains_keep_every_row_and_show_the_newest(steps: list[tuple[str, int, int]]) -> None:
    """Against a model: a list of chains, each a list of values (None: withdrawn)."""
    yard = parse_yard(YARD_TEXT)
    chains: list[list[tuple[str, int | None]]] = []
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        with write_window(data):
            pass
        for at, (step, which, bags) in enumerate(steps):
            now = NOW + dt.timedelta(seconds=at)
            body = {"pot": "pot-1", "bags": bags}
            if step == "add":
                chains.append([(records.add(data, yard, "abrasive", body, "T", "page", now), bags)])
            elif chains:
                chain = chains[which % len(chains)]
                if step == "correct":
                    new = records.correct(data, yard, chain[-1][0], body, "T", "r", "page", now)
                    chain.append((new, bags))
                elif chain[-1][1] is not None:
                    new = records.withdraw(data, chain[-1][0], "T", "r", "page", now)
                    chain.append((new, None))
        with read_window(data) as con:
            shown = {row["record_id"]: row["bags"] for row in record_rows.current(con, "abrasive")}
            assert shown == {
                chain[-1][0]: chain[-1][1] for chain in chains if chain[-1][1] is not None
            }
            for chain in chains:
                kept = record_rows.history(con, chain[len(chain) // 2][0])
                assert [(row["record_id"], row.get("bags")) for row in kept] == chain


test_chains_keep_every_row_and_show_the_newest_many_times = pytest.mark.slow(
    settings(max_examples=60, deadline=None)(
        given(_STEPS)(test_chains_keep_every_row_and_show_the_newest.hypothesis.inner_test)
    )
)


def test_what_was_stored_before_parts_had_positions_is_read_and_corrected(
    data: Path, yard: Yard
) -> None:
    """Bodies as they were first stored: six keys of a check, five of a part fitted."""
    old = {
        "part_fitted": {"pot": "pot-1", "part": "nozzle", "at": "2026-05-01T06:00:00Z",
                        "tag": "N1", "note": ""},
        "check": {"pot": "pot-1", "part": "nozzle", "at": "2026-05-02T06:00:00Z",
                  "result": "good", "measurement": "9.6 mm", "note": ""},
    }  # fmt: skip
    with write_window(data) as con:
        for number, (kind, body) in enumerate(old.items()):
            con.execute(
                "INSERT INTO record VALUES (?, ?, ?, 'T', 'page', NULL, false, '', ?, NULL, NULL)",
                [f"{number:020d}", kind, NOW.replace(tzinfo=None), json.dumps(body)],
            )
        record_chain.number_rest(con)
        (fitted, checked) = part_frames.entries(con).sort("at").to_dicts()
        assert (fitted["position"], fitted["tag"]) == ("1", "N1")
        assert (checked["position"], checked["rule"], checked["result"]) == ("1", "", "good")
        (row,) = part_frames.checks(con).to_dicts()
        assert (row["measurement"], row["photo"], row["value"]) == ("9.6 mm", "", None)
    new = records.correct(data, yard, "0" * 19 + "1", old["check"] | {"result": "worn"}, "S", "x")
    assert standing(data, "check")[0]["record_id"] == new
    assert standing(data, "check")[0]["position"] == "1"


# --- sent twice, entered once ----------------------------------------------------------------


def test_a_form_that_is_sent_twice_is_entered_once(data: Path, yard: Yard) -> None:
    once = record_ids.new_once()
    bags = {"pot": "pot-1", "bags": 4, "bag_kg": 25.0}
    first = records.add(data, yard, "abrasive", bags, "Ann", "page", NOW, once=once)
    later = NOW + dt.timedelta(minutes=3)
    again = records.add(data, yard, "abrasive", bags, "Ann", "page", later, once=once)
    assert again == first and first.endswith(once)
    assert len(standing(data, "abrasive")) == 1
    # With something else in it, the second would be lost or the first doubled: it is refused.
    with pytest.raises(RecordRefused, match="saved already"):
        records.add(data, yard, "abrasive", bags | {"bags": 5}, "Ann", "page", later, once=once)
    assert [row["bags"] for row in standing(data, "abrasive")] == [4]
    fix, fixed = record_ids.new_once(), bags | {"bags": 5}
    corrected = [
        records.correct(data, yard, first, fixed, "Ann", "miscounted", "page", later, once=fix)
        for _ in range(2)
    ]
    assert corrected[0] == corrected[1]
    assert [row["bags"] for row in standing(data, "abrasive")] == [5]
    with read_window(data) as con:
        assert record_chain.faults(con) == []


def test_forms_that_are_sent_at_once_are_entered_once(data: Path, yard: Yard) -> None:
    once, ids = record_ids.new_once(), []
    bags = {"pot": "pot-1", "bags": 4, "bag_kg": 25.0}

    def send() -> None:
        ids.append(records.add(data, yard, "abrasive", bags, "Ann", "page", once=once))

    senders = [threading.Thread(target=send) for _ in range(4)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert len(ids) == 4 and len(set(ids)) == 1
    assert len(standing(data, "abrasive")) == 1
