"""The commands that take readings in, and that look into quarantine."""

from __future__ import annotations

import sys
from contextlib import nullcontext, suppress
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from ingest.config import Yard
    from ingest.health import Health
    from ingest.sources.inbox import Source
    from ingest.sources.modbus import ModbusSettings
    from ingest.sources.mqtt import MqttSettings
    from ingest.store.batch import Admission
    from ingest.supervise import Log
    from ingest.yard_sources import ModbusLine


class LogForm(StrEnum):
    """How the log is written, to standard error."""

    json = "json"
    text = "text"


class ListForm(StrEnum):
    """How a list is printed."""

    table = "table"
    json = "json"


def ingest(
    data: DataOption = None,
    yard: YardOption = None,
    log: Annotated[
        LogForm | None,
        typer.Option(
            "--log",
            help="Write the log as JSON lines or as text; by default a status line on a terminal, "
            "JSON lines otherwise.",
            show_default=False,
        ),
    ] = None,
    worker: Annotated[
        str | None,
        typer.Option(
            "--worker",
            metavar="NAME",
            help="Share the broker's messages with other workers, each with a journal and a store "
            "of its own under workers/NAME; `gritbook derive` and the pages gather them.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Take readings from the boxes into the journal and the store, until stopped."""
    with sentences():
        import signal
        import threading

        from ingest.config import load_yard
        from ingest.housekeeping import Housekeeper
        from ingest.service import Service
        from ingest.store.shards import worker_folder

        known = load_yard(yard_path(yard, data))
        folder = data_folder(data)
        if worker is not None:
            folder = worker_folder(folder, worker)
        sources = sources_of(known) if worker is None else shared_sources_of(known, worker)
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        with _telling(log) as (logger, show):
            service = Service(
                folder,
                [pot.name for pot in known.pots],
                sources,
                logger,
                pots_of_source(known),
                admission_of(known)._replace(shared=worker is not None),
                Housekeeper(folder, known.keep, logger),
                stop.is_set,
            )
            logger.info("started", pots=len(known.pots), data=str(folder), worker=worker)
            with _metrics_of(known, service.health):
                service.run(stop, show)


def quarantine(
    data: DataOption = None,
    yard: YardOption = None,
    retry: Annotated[
        bool,
        typer.Option("--retry", help="Read it again, with the yard file as it is now."),
    ] = False,
    form: Annotated[ListForm, typer.Option("--format", help="What to print.")] = ListForm.table,
) -> None:
    """List what could not become a reading, by reason; or try it again."""
    with sentences():
        folder = data_folder(data)
        if retry:
            _retry(folder, yard_path(yard, data), form)
        else:
            _list(folder, form)


def sources_of(yard: Yard) -> list[Source]:
    """The sources a yard file names.

    Raises
    ------
    YardFileError
        The yard file names none, or a password's variable that is not set.
    """
    from ingest.errors import YardFileError
    from ingest.sources.modbus import ModbusSource
    from ingest.sources.mqtt import MqttSource
    from ingest.sources.serial_line import SerialSettings, SerialSource

    sources: list[Source] = []
    if yard.mqtt is not None:
        sources.append(MqttSource(mqtt_settings(yard)))
    for line in yard.serial:
        sources.append(SerialSource(SerialSettings(line.port, line.baud, line.crc)))
    sources += [ModbusSource(modbus_settings(line)) for line in yard.modbus]
    if not sources:
        raise YardFileError(
            "The yard file names nothing to take readings from.",
            "Add a [mqtt], a [[serial]] or a [[modbus]] table.",
        )
    return sources


def shared_sources_of(yard: Yard, worker: str) -> list[Source]:
    """The one source of a worker: its share of the broker's messages.

    Raises
    ------
    YardFileError
        The yard file names no broker.
    """
    from ingest.errors import YardFileError
    from ingest.sources.mqtt import MqttSource

    if yard.mqtt is None:
        raise YardFileError(
            "Workers share a broker's messages, and the yard file names no broker.",
            "Add a [mqtt] table, or start ingest without --worker.",
        )
    settings = mqtt_settings(yard)
    return [
        MqttSource(
            replace(settings, client_id=f"{settings.client_id}-{worker}", share=yard.mqtt.share)
        )
    ]


def mqtt_settings(yard: Yard) -> MqttSettings:
    """What the source of the yard's broker needs to know.

    Raises
    ------
    YardFileError
        The password or a certificate cannot be used.
    """
    from ingest.sources.mqtt import MqttSettings

    mqtt = yard.mqtt
    assert mqtt is not None
    return MqttSettings(
        host=mqtt.host,
        port=mqtt.port,
        root=mqtt.root,
        site=yard.site.name,
        client_id=mqtt.client_id,
        keepalive_s=mqtt.keepalive_s,
        username=mqtt.username or None,
        password=mqtt.password(),
        tls=mqtt.tls.context() if mqtt.tls is not None else None,
        messages_per_s=yard.limits.messages_per_s,
        burst=yard.limits.burst,
    )


def modbus_settings(line: ModbusLine) -> ModbusSettings:
    """What the source of a Modbus line needs to know, from the yard file."""
    from ingest.sources.modbus import ModbusSettings, UnitSettings
    from ingest.wire.modbus import Register

    return ModbusSettings(
        line.port,
        line.baud,
        line.parity,
        line.stop_bits,
        line.rate_hz,
        tuple(
            UnitSettings(
                unit.unit,
                unit.timeout_s,
                tuple(Register(**register.model_dump()) for register in unit.registers),
            )
            for unit in line.units
        ),
    )


def pots_of_source(yard: Yard) -> dict[str, tuple[str, ...]]:
    """The pots on each line, by the source's name, where the yard file lists any."""
    serial = {f"serial:{line.port}": line.pots for line in yard.serial if line.pots}
    return serial | {f"modbus:{line.port}": line.pots for line in yard.modbus}


def _metrics_of(yard: Yard, health: Health) -> AbstractContextManager[None]:
    """The port for a monitoring system, where the yard file asks for one."""
    if yard.metrics is None:
        return nullcontext()
    from ingest.metrics import serving

    return serving(yard.metrics.host, yard.metrics.port, health.facts)


def admission_of(yard: Yard) -> Admission:
    """What the yard file asks of a message before its readings are taken."""
    from ingest.store.batch import Admission

    return Admission(
        own_topic=yard.mqtt is None or yard.mqtt.strict,
        earliest_us=round(yard.limits.earliest_at.timestamp() * 1e6),
    )


def _telling(
    form: LogForm | None,
) -> AbstractContextManager[tuple[Log, Callable[[Health], None]]]:
    """The log, and what shows the health once a second."""
    from contextlib import contextmanager

    @contextmanager
    def telling() -> Iterator[tuple[Log, Callable[[Health], None]]]:
        if form is None and sys.stderr.isatty():
            from rich.console import Console

            console = Console(stderr=True)
            with console.status("starting") as status:
                logger = _logger(LogForm.text, _ToConsole(console))
                yield logger, lambda health: status.update(status_line(health.facts()))
        else:
            yield _logger(form or LogForm.json, _ToStandardError()), lambda health: None

    return telling()


class _ToStandardError:
    """Standard error, where a line that finds no room is left out: a full disk must not end ingest,
    and its health file says the same."""

    def write(self, text: str) -> int:
        with suppress(OSError):
            sys.stderr.write(text)
        return len(text)

    def flush(self) -> None:
        with suppress(OSError):
            sys.stderr.flush()


class _ToConsole:
    """A file whose lines go above the status line."""

    def __init__(self, console: Any) -> None:
        self._console = console

    def write(self, text: str) -> int:
        if text.strip():
            self._console.print(text.rstrip("\n"), markup=False, highlight=False)
        return len(text)

    def flush(self) -> None:
        """Nothing waits."""


def _logger(form: LogForm, file: Any) -> Log:
    import structlog

    last: Any = (
        structlog.processors.JSONRenderer()
        if form is LogForm.json
        else structlog.dev.ConsoleRenderer(colors=False)
    )
    before = [structlog.processors.dict_tracebacks] if form is LogForm.json else []
    logger: Log = structlog.wrap_logger(
        structlog.PrintLogger(file),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            *before,
            last,
        ],
    )
    return logger


def status_line(facts: dict[str, Any]) -> str:
    """One line on how ingest is doing, from :meth:`ingest.health.Health.facts`."""
    parts = [f"{facts['messages']:,} messages", f"{facts['readings']:,} readings"]
    if facts["repeated"]:
        parts.append(f"{facts['repeated']:,} repeated")
    if facts["quarantined"]:
        parts.append(f"{facts['quarantined']:,} in quarantine")
    if facts["waiting_bytes"]:
        parts.append(f"{facts['waiting_bytes'] / 1e6:.1f} MB wait in the journal")
    for name, source in facts["sources"].items():
        parts.append(f"{name} {source['state']}")
    parts += list(facts["trouble"].values())
    from rich.markup import escape

    return escape(" · ".join(parts))


def _list(folder: Path, form: ListForm) -> None:
    from ingest.store.connection import read_window
    from ingest.store.quarantine import counts

    with read_window(folder) as con:
        found = counts(con)
    if form is ListForm.json:
        import json

        typer.echo(json.dumps([count._asdict() for count in found], default=str))
        return
    if not found:
        typer.echo("Nothing is in quarantine.")
        return
    from rich.console import Console
    from rich.table import Table

    table = Table("reason", "waiting", "settled", "first (UTC)", "last (UTC)", "latest detail")
    for count in found:
        table.add_row(
            count.reason,
            f"{count.waiting:,}",
            f"{count.retried:,}",
            f"{count.first_at:%Y-%m-%d %H:%M:%S}",
            f"{count.last_at:%Y-%m-%d %H:%M:%S}",
            count.detail,
        )
    Console().print(table)


def _retry(folder: Path, yard: Path, form: ListForm) -> None:
    from ingest.config import load_yard
    from ingest.store.retry import retry_quarantine

    known = load_yard(yard)
    done = retry_quarantine(
        folder, [pot.name for pot in known.pots], pots_of_source(known), admission_of(known)
    )
    if form is ListForm.json:
        import json

        typer.echo(json.dumps(done._asdict()))
        return
    typer.echo(
        f"{done.messages:,} messages read again: {done.readings:,} readings stored, "
        f"{done.settled:,} entries settled."
    )
