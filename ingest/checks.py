"""What `gritbook check` looks at: everything that the yard file names, and the store.

Each check gives findings: good, to be looked at, or broken, with what to do. None of them changes
anything but a test file in the data folder and a test session at the broker, both gone afterwards.
"""

from __future__ import annotations

import datetime as dt
import errno
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from ingest.config import Yard, load_yard, settings_fingerprint
from ingest.errors import GritbookError, StoreError, YardFileError
from ingest.health import read_health
from ingest.store import quarantine
from ingest.store.connection import read_window, store_path
from ingest.yard_sources import SerialLine

if TYPE_CHECKING:
    import duckdb

Status = Literal["ok", "warn", "fail"]

_FREE_WARN_BYTES, _FREE_FAIL_BYTES = 2 << 30, 200 << 20
_CERTIFICATE_SOON = dt.timedelta(days=30)
_HEARD_WITHIN = dt.timedelta(minutes=5)
_HEALTH_STALE = dt.timedelta(seconds=10)
_BOX_CLOCK_OFF_S = 5.0
_FAULTS_SHOWN = 5
_EARLIEST_CLOCK = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)


class Finding(NamedTuple):
    """What a check found.

    Parameters
    ----------
    subject : str
        What was looked at, in a word or two.
    status : str
        ``ok``; ``warn``: look at it; ``fail``: it will not work.
    what : str
        One sentence.
    next_step : str
        What to do; empty where nothing is.
    """

    subject: str
    status: Status
    what: str
    next_step: str = ""


def check_all(
    yard_file: Path, data: Path, now: dt.datetime | None = None, burst: bool = True
) -> Iterator[Finding]:
    """Every check, in the order in which they help.

    Parameters
    ----------
    yard_file : Path
        The yard file.
    data : Path
        Data folder.
    now : datetime, optional
        This computer's clock, aware; by default read.
    burst : bool
        Try whether the broker drops messages, which takes a few seconds.
    """
    now = now or dt.datetime.now(dt.UTC)
    try:
        yard = load_yard(yard_file)
    except YardFileError as error:
        yield Finding("yard file", "fail", error.what, error.next_step)
        yield from check_folder(data)
        return
    yield Finding(
        "yard file", "ok",
        f"{yard_file} is good (pots: {len(yard.pots)}, boxes: {len(yard.boxes)}).",
    )  # fmt: skip
    yield from check_yard(yard)
    yield from check_folder(data)
    yield from check_clock(yard, data, now)
    yield from check_sizes(yard, data)
    running = check_ingest(data, now)
    yield running
    yield from check_publishing(yard, data)
    if yard.mqtt is not None:
        yield from check_broker(yard, burst)
    for line in yard.serial:
        yield check_serial(line, ingest_runs=running.status == "ok")
    yield from check_store(yard, data, now)


def check_yard(yard: Yard) -> Iterator[Finding]:
    """What the yard file may say and still is worth a look."""
    for pot in yard.pots:
        if not yard.boxes_of(pot.name):
            yield Finding(
                "yard file", "warn", f"No box is on {pot.name}.",
                "Add a [[box]], or bring its readings in with `gritbook import`.",
            )  # fmt: skip
    for transducer in yard.transducers:
        on = yard.pot(transducer.pot)
        if on is not None and transducer.channel == "pot" and transducer.range_pa[1] < on.plate_pa:
            yield Finding(
                "yard file", "warn",
                f"The transducer on {on.name} ends at {transducer.range_pa[1]:.0f} Pa, below the "
                f"plate's {on.plate_pa:.0f} Pa: a pressure over the plate's will not be seen.",
                "Fit one with a wider range.",
            )  # fmt: skip
    for rule in yard.effective_rules():
        if rule.loosened:
            yield Finding(
                "rules", "warn",
                f"The rule {rule.name} is looser than the default{_where(rule.pots)} "
                f"({rule.loosened_by}); {rule.by} decided so: {rule.reason}.",
            )  # fmt: skip


def _where(pots: tuple[str, ...]) -> str:
    return f" on {', '.join(pots)}" if pots else ""


def check_folder(data: Path) -> Iterator[Finding]:
    """The data folder can be written and has room."""
    nearest = next(p for p in (data, *data.absolute().parents) if p.exists())
    try:
        with tempfile.TemporaryFile(dir=nearest):
            pass
    except OSError as error:
        yield Finding(
            "data folder", "fail", f"{nearest} cannot be written: {error.strerror}.",
            "Give the user that runs Gritbook the right to, or choose another with --data.",
        )  # fmt: skip
        return
    made = "can be written" if nearest == data else "is not there yet and can be made"
    yield Finding("data folder", "ok", f"{data} {made}.")
    free = shutil.disk_usage(nearest).free
    status: Status = (
        "fail" if free < _FREE_FAIL_BYTES else "warn" if free < _FREE_WARN_BYTES else "ok"
    )
    yield Finding(
        "disk", status, f"{free / 1e9:.1f} GB are free.",
        "" if status == "ok" else "Make room: ingest stops taking when the disk is full.",
    )  # fmt: skip


def check_sizes(yard: Yard, data: Path) -> Iterator[Finding]:
    """Journal and store are of a size that this yard expects."""
    from ingest.housekeeping import LITTLE_ROOM_BYTES, sizes_of, warnings_of

    if not data.exists():
        return
    sizes = sizes_of(data)
    # The room left has a finding of its own.
    large = {**sizes, "free_bytes": LITTLE_ROOM_BYTES}
    for sentence in warnings_of(large, yard.keep):
        what, _, step = sentence.partition(". ")
        yield Finding("sizes", "warn", f"{what}.", step)


def check_publishing(yard: Yard, data: Path) -> Iterator[Finding]:
    """How boxes publish, what the broker refused, and the way to it."""
    from ingest import checks_messages

    try:
        health = read_health(data) or {}
    except (OSError, ValueError):
        health = {}  # told of by the check of ingest itself
    found = [*checks_messages.in_health(health)]
    if yard.mqtt is not None:
        found += checks_messages.of_connection(yard.mqtt)
        if yard.mqtt.broker_log:
            found += checks_messages.in_broker_log(Path(yard.mqtt.broker_log))
    for what, next_step in found:
        yield Finding("publishing", "warn", what, next_step)


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


def check_clock(yard: Yard, data: Path, now: dt.datetime) -> Iterator[Finding]:
    """This computer's clock is not behind what it has seen already."""
    set_clock = "Set the clock, best by network time."
    if now < _EARLIEST_CLOCK:
        yield Finding("clock", "fail", f"This computer believes it is {now:%Y-%m-%d}.", set_clock)
        return
    path = store_path(data)
    if path.exists():
        changed_at = dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC)
        if changed_at - now > dt.timedelta(minutes=1):
            yield Finding(
                "clock", "fail",
                f"The store was written at {changed_at:%Y-%m-%d %H:%M} UTC, and this computer "
                f"believes it is {now:%Y-%m-%d %H:%M} UTC: its clock went back.",
                set_clock,
            )  # fmt: skip
            return
    local = now.astimezone(yard.site.zone)
    yield Finding(
        "clock", "ok", f"It is {local:%Y-%m-%d %H:%M:%S} in {yard.site.time_zone} ({local:%z})."
    )


def check_ingest(data: Path, now: dt.datetime) -> Finding:
    """Whether ingest runs, and whether it is well."""
    start = "Start it with `gritbook ingest`."
    try:
        health = read_health(data)
        written_at = dt.datetime.fromisoformat(health["written_at"]) if health else None
    except (OSError, ValueError, KeyError) as error:
        return Finding("ingest", "warn", f"Its health file cannot be read: {error}.", start)
    if health is None or written_at is None:
        return Finding("ingest", "warn", "It has not run yet.", start)
    if not health.get("running"):
        return Finding(
            "ingest", "warn", f"It was stopped at {written_at:%Y-%m-%d %H:%M} UTC.", start
        )
    if now - written_at > _HEALTH_STALE:
        return Finding(
            "ingest", "fail",
            f"It has given no sign of life since {written_at:%Y-%m-%d %H:%M:%S} UTC.", start,
        )  # fmt: skip
    trouble = health.get("trouble") or {}
    if trouble:
        who, what = next(iter(trouble.items()))
        return Finding("ingest", "warn", f"It runs, with trouble at {who}: {what}")
    return Finding("ingest", "ok", f"It runs; {health.get('messages', 0):,} messages since start.")


def check_broker(yard: Yard, burst: bool) -> Iterator[Finding]:
    """The broker lets us in, and keeps messages while nobody is there to take them."""
    from ingest.checks_broker import BURST, certificate_ends_at, connect_trouble, kept_of_burst

    mqtt = yard.mqtt
    assert mqtt is not None
    try:
        password = mqtt.password()
    except YardFileError as error:
        yield Finding("broker", "fail", error.what, error.next_step)
        return
    trouble = connect_trouble(mqtt, password)
    if trouble is not None:
        yield Finding("broker", "fail", trouble.what, trouble.next_step)
        return
    yield Finding("broker", "ok", f"{mqtt.host}:{mqtt.port} lets us in with MQTT 5.")
    ends_at = certificate_ends_at(mqtt)
    if ends_at is not None:
        left = ends_at - dt.datetime.now(dt.UTC)
        soon = left < _CERTIFICATE_SOON
        yield Finding(
            "certificate", "warn" if soon else "ok",
            f"The broker's certificate ends on {ends_at:%Y-%m-%d}, in {left.days} days.",
            "Renew it: from that day on no box and no ingest is let in." if soon else "",
        )  # fmt: skip
    if not burst:
        return
    kept = kept_of_burst(mqtt, yard.site.name, password)
    if kept is None:
        yield Finding(
            "broker queue", "warn",
            "The broker did not let it be tried whether it drops messages.",
            f"Allow the user {mqtt.root}/{yard.site.name}/_check/# to find out.",
        )  # fmt: skip
    elif kept < BURST:
        yield Finding(
            "broker queue", "fail",
            f"Of {BURST:,} messages for a client that was away the broker dropped "
            f"{BURST - kept:,}: readings are lost whenever ingest is stopped or slow.",
            "In mosquitto's configuration write `max_queued_messages 0` (no limit) and "
            "`persistence true`, and start it again.",
        )  # fmt: skip
    else:
        yield Finding(
            "broker queue", "ok", f"It kept {BURST:,} messages for a client that was away."
        )


def check_serial(line: SerialLine, ingest_runs: bool) -> Finding:
    """A serial port is there and can be opened."""
    import serial

    subject = f"serial {line.port}"
    holders = _holders(line.port)
    if holders and ingest_runs:
        return Finding(subject, "ok", f"It is open, by {holders[0]}.")
    if holders:
        return Finding(
            subject, "warn", f"It is held by {holders[0]}.", "Close that program, then try again."
        )
    try:
        port = serial.serial_for_url(line.port, baudrate=line.baud, timeout=0.2, do_not_open=True)
        if hasattr(port, "exclusive") and not line.port.partition("://")[1]:
            port.exclusive = True
        port.open()
        port.close()
    except ValueError as error:
        return Finding(subject, "fail", f"It is no port: {error}.", "Look at how it is written.")
    except OSError as error:  # pyserial's SerialException is one
        return _serial_trouble(subject, line, error)
    return Finding(subject, "ok", f"It can be opened at {line.baud} baud.")


def _serial_trouble(subject: str, line: SerialLine, error: OSError) -> Finding:
    from serial.tools import list_ports

    code = error.errno
    if "://" in line.port:
        return Finding(
            subject, "fail", f"It cannot be reached: {error}.",
            "Look whether the device server is on and takes another connection.",
        )  # fmt: skip
    if code == errno.EACCES:
        return Finding(
            subject, "fail", "You may not open it.",
            "Add the user that runs Gritbook to the group of serial ports, on Debian "
            "`sudo adduser USER dialout`, and log in again.",
        )  # fmt: skip
    if code in (errno.EBUSY, errno.EAGAIN) or "lock" in str(error).lower():
        return Finding(subject, "fail", "Another program has it.", "Close that program.")
    if code == errno.ENOENT or not Path(line.port).exists():
        there = ", ".join(port.device for port in list_ports.comports()) or "none"
        return Finding(
            subject, "fail", "There is no such port.",
            f"Plug the adapter in. Ports that are there: {there}.",
        )  # fmt: skip
    return Finding(subject, "fail", f"It cannot be opened: {error}.", "Look at cable and adapter.")


def _holders(port: str) -> list[str]:
    """Programs that have a device open, as far as this system tells."""
    if not sys.platform.startswith("linux") or not Path(port).exists():
        return []
    device = os.path.realpath(port)
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if any(os.path.realpath(fd) == device for fd in (process / "fd").iterdir()):
                name = (process / "comm").read_text().strip()
                if int(process.name) != os.getpid():
                    found.append(f"{name} (process {process.name})")
        except OSError:
            continue  # it ended, or is another user's
    return found


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
            yield from _check_leftovers(con, yard)
    except StoreError as error:
        yield Finding("store", "fail", error.what, error.next_step)
    except GritbookError as error:
        yield Finding("store", "warn", error.what, error.next_step)


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
