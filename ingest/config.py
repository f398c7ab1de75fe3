"""The yard file: site, pots, boxes, transducers, rules; read once, checked, and then frozen.

An unknown key is an error, never ignored. All faults are listed at once, each with its line.
Dates and times in the file that carry no zone are the site's own wall clock; in the models they
are UTC instants.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import tomllib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    BeforeValidator,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from ingest.errors import YardFileError
from ingest.yard_archive import Archive
from ingest.yard_faults import (
    SYNTAX_LINE,
    Fault,
    KeyPath,
    RawFault,
    YardFaults,
    across_tables,
    from_pydantic,
    placed,
    shown,
)
from ingest.yard_notices import Notices
from ingest.yard_pots import Box, Pot, Transducer
from ingest.yard_review import Review
from ingest.yard_rules import EffectiveRule, Rule, effective_rules
from ingest.yard_sources import ModbusLine, Mqtt, SerialLine
from ingest.yard_values import FilledText, Instant, Positive, Slug, Table, Text, as_tuple


class Site(Table):
    """The yard itself.

    Parameters
    ----------
    name : str
        Slug; part of the MQTT topic.
    time_zone : str
        IANA name, such as ``Europe/Berlin``: the zone of shifts and of times without a zone.
    title : str
        What people call it.
    invented : bool
        The data are made up, for a demonstration; every page says so.
    currency : str
        What prices are in, such as EUR; only shown, never converted.
    """

    name: Slug
    time_zone: str
    title: Text = ""
    invented: bool = False
    currency: Text = ""

    @field_validator("time_zone")
    @classmethod
    def _exists(cls, value: str) -> str:
        if _zone(value) is None:
            raise ValueError("there is no such time zone; write it like Europe/Berlin or UTC")
        return value

    @cached_property
    def zone(self) -> ZoneInfo:
        """The zone of ``time_zone``."""
        return ZoneInfo(self.time_zone)


class Derive(Table):
    """Thresholds for deriving cycles and hours.

    Parameters
    ----------
    release_debounce_s, press_debounce_s : float
        A release or a press of the dead-man shorter than this is chatter. [s]
    pressurised_on, pressurised_off : float
        Pot pressure as a fraction of the manifold's, at which it counts as pressurised and at
        which it no longer does.
    pressurised_pa, unpressurised_pa : float
        The same as fixed gauge pressures, for a box without a supply channel. [Pa]
    align_s : float
        Channels sampled up to this far apart are taken as of one instant. [s]
    quiet_s : float
        With the dead-man shut for this long what came before is complete; no longer than this is
        an exhaust waited for. [s]
    count_silence_outside_shifts : bool
        Whether silence outside shifts that people entered is a gap that may hold blasting.
    """

    release_debounce_s: float = Field(0.25, ge=0, le=10)
    press_debounce_s: float = Field(0.15, ge=0, le=10)
    pressurised_on: float = Field(0.70, gt=0, lt=1)
    pressurised_off: float = Field(0.50, gt=0, lt=1)
    pressurised_pa: float = Field(300_000.0, gt=0, le=2_500_000)
    unpressurised_pa: float = Field(200_000.0, gt=0, le=2_500_000)
    align_s: float = Field(0.5, gt=0, le=60)
    quiet_s: float = Field(180.0, ge=1, le=86_400)
    count_silence_outside_shifts: bool = False

    @model_validator(mode="after")
    def _ordered(self) -> Derive:
        if self.pressurised_off >= self.pressurised_on:
            raise ValueError("expected pressurised_off below pressurised_on")
        if self.unpressurised_pa >= self.pressurised_pa:
            raise ValueError("expected unpressurised_pa below pressurised_pa")
        return self


class Limits(Table):
    """How much may come in at once, and of what age.

    Parameters
    ----------
    messages_per_s : float
        Messages a second that are taken from one source for long; above it Gritbook reads slower,
        and the sender or the broker waits. Nothing is dropped. [1/s]
    burst : int
        Messages that may come at once before that.
    earliest_at : datetime
        A reading from before this is quarantined: its box's clock was never set. UTC.
    """

    messages_per_s: float = Field(20_000.0, ge=10, le=1e6)
    burst: int = Field(200_000, ge=10, le=10_000_000)
    earliest_at: Instant = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)


class Keep(Table):
    """How long the journal is kept, and from which size on `gritbook check` speaks of it.

    Parameters
    ----------
    journal_days : float or None
        Messages that the store has are dropped from the journal after this; ``None``: never. [d]
    journal_gb : float or None
        The oldest of them are dropped above this; ``None``: never. [GB]
    warn_journal_gb, warn_store_gb : float
        `gritbook check` and ingest's health speak of a journal or store larger than this. [GB]
    """

    journal_days: Annotated[float, Field(ge=1)] | None = None
    journal_gb: Annotated[float, Field(ge=0.2)] | None = None
    warn_journal_gb: Positive = 20.0
    warn_store_gb: Positive = 50.0


class Metrics(Table):
    """Figures on ingest itself for a monitoring system, in Prometheus' text form.

    Parameters
    ----------
    port : int
        TCP port.
    host : str
        Address to listen on; by default this computer only.
    """

    port: int = Field(9478, ge=1, le=65535)
    host: FilledText = "127.0.0.1"


class Yard(Table):
    """A checked yard file.

    Parameters
    ----------
    site : Site
        The yard itself.
    mqtt : Mqtt or None
        The broker; ``None`` where no box sends over MQTT.
    serial : tuple of SerialLine
        Serial lines.
    modbus : tuple of ModbusLine
        Lines whose transducers are polled.
    pots : tuple of Pot
        At least one.
    boxes : tuple of Box
        Sensor boxes.
    transducers : tuple of Transducer
        Pressure transducers.
    derive : Derive
        Thresholds.
    rules : tuple of Rule
        What the yard file itself asks for; :meth:`effective_rules` has the defaults as well.
    limits : Limits
        How much may come in.
    keep : Keep
        How long the journal is kept.
    archive : Archive
        When days leave the store for files.
    metrics : Metrics or None
        ``None``: no port is opened.
    review : Review
        What a shift's review aims at.
    notices : Notices
        How notices are told; by default they only stand on the pages.
    """

    site: Site
    mqtt: Mqtt | None = None
    serial: Annotated[tuple[SerialLine, ...], BeforeValidator(as_tuple)] = ()
    modbus: Annotated[tuple[ModbusLine, ...], BeforeValidator(as_tuple)] = ()
    pots: Annotated[tuple[Pot, ...], BeforeValidator(as_tuple)] = Field(alias="pot", min_length=1)
    boxes: Annotated[tuple[Box, ...], BeforeValidator(as_tuple)] = Field((), alias="box")
    transducers: Annotated[tuple[Transducer, ...], BeforeValidator(as_tuple)] = Field(
        (), alias="transducer"
    )
    derive: Derive = Derive()
    rules: Annotated[tuple[Rule, ...], BeforeValidator(as_tuple)] = Field((), alias="rule")
    limits: Limits = Limits()
    keep: Keep = Keep()
    archive: Archive = Archive()
    metrics: Metrics | None = None
    review: Review = Review()
    notices: Notices = Notices()

    @property
    def pot_names(self) -> tuple[str, ...]:
        """Names of the pots, in the order of the file."""
        return tuple(pot.name for pot in self.pots)

    def pot(self, name: str) -> Pot | None:
        """The pot of that name; ``None`` where the file has none."""
        return next((pot for pot in self.pots if pot.name == name), None)

    def boxes_of(self, pot: str) -> tuple[Box, ...]:
        """The boxes on a pot."""
        return tuple(box for box in self.boxes if box.pot == pot)

    def gap_s(self, pot: str) -> float:
        """Silence on a pot that is longer than this is a gap. [s]"""
        return min((box.gap_s for box in self.boxes_of(pot)), default=2.0)

    def transducer(self, pot: str, channel: str) -> Transducer | None:
        """The transducer behind a channel; ``None`` where the file describes none."""
        return next(
            (t for t in self.transducers if t.pot == pot and t.channel == channel),
            None,
        )

    def effective_rules(self) -> tuple[EffectiveRule, ...]:
        """The checks that hold here; see :func:`ingest.yard_rules.effective_rules`."""
        return effective_rules(self.rules)


def load_yard(path: Path) -> Yard:
    """Read and check a yard file.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    YardFileError
        It is not there or cannot be read, or (as :class:`ingest.yard_faults.YardFaults`) it says
        something that cannot be; every fault is listed, with its line.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise YardFileError(
            f"There is no yard file {path}.",
            "Write one with `gritbook init`, or name another with --yard.",
        ) from error
    except UnicodeDecodeError as error:
        raise YardFileError(
            f"The yard file {path} is not UTF-8 text (byte {error.start}).",
            "Save it as UTF-8 in your editor.",
        ) from error
    except OSError as error:
        raise YardFileError(
            f"The yard file {path} cannot be read: {error.strerror}.",
            "Check its permissions, or name another with --yard.",
        ) from error
    return parse_yard(text, path.name)


def parse_yard(text: str, name: str = "yard.toml") -> Yard:
    """Check the text of a yard file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What to call the file in messages.

    Raises
    ------
    YardFaults
        It says something that cannot be.

    Examples
    --------
    >>> yard = parse_yard('''
    ... [site]
    ... name = "north-yard"
    ... time_zone = "Europe/Berlin"
    ... [[pot]]
    ... name = "pot-1"
    ... volume_m3 = 0.184
    ... plate_pa = 862000
    ... ''')
    >>> yard.pot_names, yard.gap_s("pot-1")
    (('pot-1',), 2.0)
    """
    # TOML forbids lone carriage returns, and Windows editors write pairs.
    text = text.replace("\r\n", "\n")
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise YardFaults(name, [_syntax_fault(text, error)]) from error
    zone = _zone_of(raw)
    faults: list[RawFault] = []
    try:
        yard = Yard.model_validate(_with_defaults(raw), context={"zone": zone})
    except ValidationError as error:
        faults += from_pydantic(error.errors(include_url=False), _keys_of(Yard))
    faults += across_tables(raw, zone)
    if faults:
        raise YardFaults(name, placed(text, raw, faults))
    return yard


def settings_fingerprint(yard: Yard, pot: str) -> str:
    """A short text that changes when, and only when, a pot's derived figures must be made anew.

    It covers the thresholds, when silence is a gap, the pot's volume, and its transducers with
    their calibrations. Titles, tags, rules, parts and the other pots do not matter: the usage of
    parts is summed from cycles at every derive.

    Returns
    -------
    str
        32 hexadecimal digits.
    """
    described = yard.pot(pot)
    settings = {
        "derive": yard.derive.model_dump(mode="json"),
        "gap_s": yard.gap_s(pot),
        "volume_m3": described.volume_m3 if described else None,
        "transducers": [
            t.model_dump(mode="json", exclude={"tag"})
            for t in sorted(yard.transducers, key=lambda t: t.channel)
            if t.pot == pot
        ],
    }
    text = json.dumps(settings, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _zone(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    # An absolute path or one with dots in it is a ValueError, a folder of the database an OSError.
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _zone_of(raw: Mapping[str, Any]) -> ZoneInfo | None:
    site = raw.get("site")
    name = site.get("time_zone") if isinstance(site, dict) else None
    return _zone(name) if isinstance(name, str) else None


def _with_defaults(raw: Mapping[str, Any]) -> dict[str, Any]:
    """The file's values with what depends on other keys filled in: client id and port."""
    values = dict(raw)
    site, mqtt = values.get("site"), values.get("mqtt")
    if isinstance(site, dict) and isinstance(mqtt, dict) and isinstance(site.get("name"), str):
        port = {"port": 8883} if isinstance(mqtt.get("tls"), dict) else {}
        values["mqtt"] = {"client_id": f"gritbook-{site['name']}", **port, **mqtt}
    return values


def _syntax_fault(text: str, error: tomllib.TOMLDecodeError) -> Fault:
    found = SYNTAX_LINE.match(str(error))
    line = int(found["line"]) if found and found["line"] else text.count("\n") + 1
    what = found["what"] if found else str(error)
    written = text.splitlines()[line - 1].strip() if 0 < line <= len(text.splitlines()) else ""
    return Fault(shown(written) if written else "the file", "", f"not TOML: {what.lower()}", line)


def _keys_of(model: type[BaseModel], path: KeyPath = ()) -> dict[KeyPath, tuple[str, ...]]:
    """For each table, by its path without list positions, the keys it may have."""
    keys = {path: tuple(f.alias or name for name, f in model.model_fields.items())}
    for name, field in model.model_fields.items():
        for inner in _models_in(field.annotation):
            keys |= _keys_of(inner, (*path, field.alias or name))
    return keys


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]
