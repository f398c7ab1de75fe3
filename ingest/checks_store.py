"""What `gritbook check` looks at in the store: boxes, channels, signals, records, leftovers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.config import Yard, settings_fingerprint
from ingest.errors import GritbookError, StoreError
from ingest.findings import Finding
from ingest.store import quarantine
from ingest.store.archive_place import Place
from ingest.store.archive_reading import archived
from ingest.store.connection import read_window, store_path

if TYPE_CHECKING:
    import duckdb

_HEARD_WITHIN = dt.timedelta(minutes=5)
_BOX_CLOCK_OFF_S = 5.0
_FAULTS_SHOWN = 5


def check_store(yard: Yard, data: Path, now: dt.datetime) -> Iterator[Finding]:
    """The store opens, and what stands in it gives no cause to look."""
    path = store_path(data)
    if not path.exists():
        yield Finding("store", "ok", "There is none yet; ingest makes it.")
        return
    try:
        with read_window(data) as con:
            yield Finding(
                "store", "ok",
                f"{path.name} opens, {path.stat().st_size / 1e6:,.0f} MB, schema up to date.",
            )  # fmt: skip
            yield from _check_boxes(con, yard, now)
            yield from _check_channels(con, yard)
            yield from check_signals(con, yard)
            yield from check_records(con, data)
            yield from _check_archive(con, data)
            yield from _check_leftovers(con, yard)
    except StoreError as error:
        yield Finding("store", "fail", error.what, error.next_step)
    except GritbookError as error:
        yield Finding("store", "warn", error.what, error.next_step)


def _check_archive(con: duckdb.DuckDBPyConnection, data: Path) -> Iterator[Finding]:
    """Archived days that lie on this computer are there, and as large as they were."""
    files = archived(con)
    if not files:
        return
    folders = {file.place: Place(data, file.place).folder for file in files}
    gone = []
    for file in files:
        folder = folders[file.place]
        if folder is None:
            continue  # asking an object store for each would take minutes
        path = folder / file.path
        if not path.exists() or path.stat().st_size != file.size:
            gone.append(path)
    if gone:
        yield Finding(
            "archive", "fail", f"{len(gone)} of {len(files)} files are missing or cut, the first "
            f"{gone[0]}.", "Bring them back from a backup, or run `gritbook repair --force`.",
        )  # fmt: skip
        return
    size = sum(file.size for file in files)
    yield Finding(
        "archive", "ok",
        f"{len(files)} files, {size / 1e6:,.1f} MB; `gritbook archive --check` reads them all.",
    )  # fmt: skip


def _check_boxes(con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime) -> Iterator[Finding]:
    heard = dict(
        con.execute(
            "SELECT pot, max(last_arrived_at) FROM source_count WHERE source <> 'card' GROUP BY pot"
        ).fetchall()
    )
    an_hour_ago = (now - dt.timedelta(hours=1)).replace(tzinfo=None)
    off = dict(
        con.execute(
            "SELECT pot, median(epoch_us(arrived_at) - epoch_us(sampled_at)) / 1e6 FROM sample "
            "JOIN pot USING (pot_id) WHERE arrived_at >= $since AND sampled_at >= $since "
            "AND message_id >= 0 GROUP BY pot",
            {"since": an_hour_ago},
        ).fetchall()
    )
    ahead = con.execute(
        "SELECT pot, max(sampled_at) FROM sample JOIN pot USING (pot_id) "
        "WHERE sampled_at > $soon GROUP BY pot",
        {"soon": (now + dt.timedelta(minutes=1)).replace(tzinfo=None)},
    ).fetchall()
    for box in yard.boxes:
        subject, last = f"box {box.name}", heard.get(box.pot)
        if last is None:
            yield Finding(
                subject, "warn", f"Nothing was ever heard from {box.pot}.",
                "Look whether the box is on, and sends to the topic or line of the yard file.",
            )  # fmt: skip
            continue
        age = now - last.replace(tzinfo=dt.UTC)
        if age > _HEARD_WITHIN:
            yield Finding(
                subject, "warn", f"{box.pot} was last heard at {last:%Y-%m-%d %H:%M} UTC.",
                "Look whether it should be on now.",
            )  # fmt: skip
        elif abs(off.get(box.pot, 0.0)) > _BOX_CLOCK_OFF_S:
            yield Finding(
                subject, "warn",
                f"Readings of {box.pot} arrive {off[box.pot]:.0f} s after the time they carry.",
                "Set the box's clock, or look whether its line is slow.",
            )  # fmt: skip
        else:
            yield Finding(subject, "ok", f"{box.pot} was heard {age.total_seconds():.0f} s ago.")
    for pot, newest in ahead:
        yield Finding(
            "clock", "warn",
            f"{pot} has readings of {newest:%Y-%m-%d %H:%M} UTC, which is still to come.",
            "Set this computer's clock, or the box's.",
        )  # fmt: skip


def _check_channels(con: duckdb.DuckDBPyConnection, yard: Yard) -> Iterator[Finding]:
    known: set[tuple[str, str]] = set()
    for pot, channel, is_known in con.execute(
        "SELECT pot, channel, known FROM channel JOIN pot USING (pot_id) ORDER BY pot, channel"
    ).fetchall():
        known.add((pot, channel))
        if not is_known:
            yield Finding(
                "channels", "warn", f'{pot} sends "{channel}", which Gritbook does not know.',
                "It is kept. If it is a known one by another name, change the box.",
            )  # fmt: skip
    heard_pots = {pot for pot, _ in known}
    for box in yard.boxes:
        missing = [c for c in box.channels if (box.pot, c) not in known]
        if box.pot in heard_pots and missing:
            yield Finding(
                "channels", "warn",
                f"{box.pot} never sent {', '.join(missing)}, which the yard file names.",
                "Look at the box, or take it out of the box's channels.",
            )  # fmt: skip
    for pot in sorted(heard_pots - set(yard.pot_names)):
        yield Finding(
            "yard file", "warn", f"The store has readings of {pot}, which the file does not name.",
            "Add a [[pot]] for it.",
        )  # fmt: skip


def _check_leftovers(con: duckdb.DuckDBPyConnection, yard: Yard) -> Iterator[Finding]:
    reasons = [r for r in quarantine.counts(con) if r.waiting]
    if reasons:
        most = reasons[0]
        yield Finding(
            "quarantine", "warn",
            f"{sum(r.waiting for r in reasons):,} messages could not be read, most of them "
            f"({most.waiting:,}) for: {most.reason} ({most.detail}).",
            "Mend the box or the yard file; the messages are kept.",
        )  # fmt: skip
    else:
        yield Finding("quarantine", "ok", "It is empty.")
    begun = con.execute("SELECT name FROM import_file WHERE sha256 LIKE 'begun:%'").fetchall()
    if begun:
        yield Finding(
            "import", "warn", f"{begun[0][0]} was not brought in to its end.",
            "Run `gritbook import` for it again; nothing is doubled.",
        )  # fmt: skip
    settings = dict(
        con.execute("SELECT pot, settings FROM derive_state JOIN pot USING (pot_id)").fetchall()
    )
    touched = {
        pot for (pot,) in con.execute("SELECT pot FROM touched JOIN pot USING (pot_id)").fetchall()
    } & set(yard.pot_names)
    changed = {
        pot
        for pot, made_with in settings.items()
        # The fingerprint is what the derive's own version stands before.
        if pot in yard.pot_names and not made_with.endswith(settings_fingerprint(yard, pot))
    }
    if touched | changed:
        why = "readings came in" if touched else "the yard file changed"
        yield Finding(
            "figures", "warn",
            f"{', '.join(sorted(touched | changed))}: {why} since figures were last derived.",
            "Run `gritbook derive`.",
        )  # fmt: skip
    else:
        yield Finding("figures", "ok", "They are up to date.")


def check_signals(con: duckdb.DuckDBPyConnection, yard: Yard) -> Iterator[Finding]:
    """What boxes sent lately looks like what it should."""
    from ingest import checks_messages, checks_signals

    for pot in yard.pot_names:
        heard = checks_signals.lately(con, pot)
        if heard is None:
            continue
        found = list(checks_signals.suspicions(heard, yard, pot))
        for what, next_step in found:
            yield Finding(f"signals of {pot}", "warn", what, next_step)
        if not found:
            yield Finding(f"signals of {pot}", "ok", "Nothing looks wrong.")
    for what, next_step in checks_messages.in_quarantine(con, yard):
        yield Finding("messages", "warn", what, next_step)


def check_records(con: duckdb.DuckDBPyConnection, data: Path) -> Iterator[Finding]:
    """What people entered is kept a second time."""
    from ingest import photos
    from ingest.store import record_chain, records_log

    kept = records_log.read(data)
    faults = record_chain.faults(con, kept.rows)
    for fault in faults[:_FAULTS_SHOWN]:
        yield Finding(
            "records", "fail", fault.what,
            "Compare it with records.log and with what was printed; ask who can write the files. "
            "Nothing is mended by itself.",
        )  # fmt: skip
    if len(faults) > _FAULTS_SHOWN:
        yield Finding("records", "fail", f"{len(faults)} rows in all do not stand as entered.")
    seal = record_chain.seal_of(con)
    if not faults and seal.number:
        yield Finding(
            "records", "ok", f"{seal.number} rows stand as entered; the seal is {seal}.",
        )  # fmt: skip
    named = con.execute(
        "SELECT DISTINCT body->>'photo' FROM record WHERE coalesce(body->>'photo', '') <> ''"
    ).fetchall()
    for lost in photos.faults(data, [name for (name,) in named]):
        yield Finding(
            "photos", "fail", f"The photo {lost.name} is {lost.what}.",
            "Put it back from a copy of the data folder.",
        )  # fmt: skip
    late = records_log.lacking(con, data)
    damaged = kept.damaged
    if late:
        yield Finding(
            "records", "warn",
            f"{len(late)} records are not in {records_log.LOG_NAME} yet.",
            "They follow with the next entry; make room if the disk is full.",
        )  # fmt: skip
    if damaged:
        yield Finding(
            "records", "warn",
            f"{len(damaged)} lines of {records_log.LOG_NAME} cannot be read, the first is line "
            f"{damaged[0]}.",
            "What they say is in the store; keep a copy of it.",
        )  # fmt: skip
