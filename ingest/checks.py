"""What `gritbook check` looks at: everything that the yard file names.

What stands in the store is looked at by :mod:`ingest.checks_store`. Each check gives findings:
good, to be looked at, or broken, with what to do. None of them changes anything but a test file in
the data folder and a test session at the broker, both gone afterwards.
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

from ingest.checks_store import check_store
from ingest.config import Yard, load_yard
from ingest.errors import YardFileError
from ingest.findings import Finding, Status
from ingest.health import read_health
from ingest.store.connection import store_path
from ingest.store.shards import shards_of
from ingest.yard_sources import SerialLine

_FREE_WARN_BYTES, _FREE_FAIL_BYTES = 2 << 30, 200 << 20
_CERTIFICATE_SOON = dt.timedelta(days=30)
_HEALTH_STALE = dt.timedelta(seconds=10)
_EARLIEST_CLOCK = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)


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
    workers = shards_of(data)
    # Where workers take the broker's messages, an ingest besides is needed for other lines only.
    if not workers or running.status == "ok" or yard.serial or yard.modbus:
        yield running
    for folder in workers:
        yield check_ingest(folder, now, f"worker {folder.name}", f"--worker {folder.name}")
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


def check_ingest(
    data: Path, now: dt.datetime, subject: str = "ingest", option: str = ""
) -> Finding:
    """Whether ingest, or a worker of it, runs, and whether it is well."""
    start = f"Start it with `{f'gritbook ingest {option}'.strip()}`."
    try:
        health = read_health(data)
        written_at = dt.datetime.fromisoformat(health["written_at"]) if health else None
    except (OSError, ValueError, KeyError) as error:
        return Finding(subject, "warn", f"Its health file cannot be read: {error}.", start)
    if health is None or written_at is None:
        return Finding(subject, "warn", "It has not run yet.", start)
    if not health.get("running"):
        return Finding(
            subject, "warn", f"It was stopped at {written_at:%Y-%m-%d %H:%M} UTC.", start
        )
    if now - written_at > _HEALTH_STALE:
        return Finding(
            subject, "fail",
            f"It has given no sign of life since {written_at:%Y-%m-%d %H:%M:%S} UTC.", start,
        )  # fmt: skip
    trouble = health.get("trouble") or {}
    if trouble:
        who, what = next(iter(trouble.items()))
        return Finding(subject, "warn", f"It runs, with trouble at {who}: {what}")
    return Finding(subject, "ok", f"It runs; {health.get('messages', 0):,} messages since start.")


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
