"""The yard file: site, pots, boxes, transducers, rules; read once, checked, and then frozen.

An unknown key is an error, never ignored. All faults are listed at once, each with its line.
Dates and times in the file that carry no zone are the site's own wall clock; in the models they
are UTC instants.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import ssl
import tomllib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, TypeGuard, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from ingest.channels import CHANNELS, UNIT_FACTORS
from ingest.errors import YardFileError
from ingest.instants import utc_instant
from ingest.parts import DEFAULT_RULES, PART_WORDS, DefaultRule
from ingest.yard_faults import (
    SYNTAX_LINE,
    Fault,
    KeyPath,
    RawFault,
    YardFaults,
    across_tables,
    from_pydantic,
    placed,
    pressure_hint,
    shown,
    suggestion,
    volume_hint,
)

#: Channels a transducer can stand behind.
PRESSURE_CHANNELS = tuple(c.name for c in CHANNELS.values() if c.unit == "Pa")


def _instant(value: object, info: ValidationInfo) -> dt.datetime:
    zone = (info.context or {}).get("zone") or ZoneInfo("UTC")
    return utc_instant(value, zone)


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _as_points(value: object) -> object:
    return tuple(_as_tuple(point) for point in value) if isinstance(value, list) else value


def _are_two_points(points: object) -> TypeGuard[tuple[tuple[float, float], tuple[float, float]]]:
    return (
        isinstance(points, tuple)
        and len(points) == 2
        and all(
            isinstance(point, tuple)
            and len(point) == 2
            and all(isinstance(n, int | float) and not isinstance(n, bool) for n in point)
            for point in points
        )
    )


def _slug(value: object) -> object:
    if isinstance(value, str) and not _is_slug(value):
        raise ValueError("expected lower-case letters, digits, - and _, at most 40 of them")
    return value


def _is_slug(value: str) -> bool:
    return (
        0 < len(value) <= 40
        and value[0] not in "-_"
        and all(c in "abcdefghijklmnopqrstuvwxyz0123456789-_" for c in value)
    )


def _part_kind(value: object) -> object:
    if isinstance(value, str) and value not in PART_WORDS:
        raise ValueError(f"there is no such kind of part{suggestion(value, PART_WORDS)}")
    return value


def _channel(value: object) -> object:
    if isinstance(value, str) and value not in CHANNELS:
        raise ValueError(f"there is no such channel{suggestion(value, CHANNELS)}")
    return value


Instant = Annotated[dt.datetime, BeforeValidator(_instant)]
Slug = Annotated[str, BeforeValidator(_slug)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=500)]
FilledText = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]
PartKind = Annotated[str, BeforeValidator(_part_kind)]
ChannelName = Annotated[str, BeforeValidator(_channel)]
Positive = Annotated[float, Field(gt=0)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Site(_Table):
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
    """

    name: Slug
    time_zone: str
    title: Text = ""
    invented: bool = False

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


def _whole_path(value: object) -> object:
    if isinstance(value, str) and value and not Path(value).expanduser().is_absolute():
        raise ValueError("expected a whole path, such as /etc/gritbook/mqtt-password")
    return str(Path(value).expanduser()) if isinstance(value, str) and value else value


WholePath = Annotated[str, BeforeValidator(_whole_path)]


class MqttTls(_Table):
    """How the connection to the broker is secured.

    Parameters
    ----------
    ca_file : str
        Certificate of the authority that signed the broker's; empty: the system's own.
    cert_file, key_file : str
        Certificate and key that Gritbook shows; empty: none. Without ``key_file`` the key stands
        in ``cert_file``.
    key_password_env : str
        Name of the environment variable that holds the key's password.
    """

    ca_file: WholePath = ""
    cert_file: WholePath = ""
    key_file: WholePath = ""
    key_password_env: Text = ""

    @model_validator(mode="after")
    def _pair(self) -> MqttTls:
        if (self.key_file or self.key_password_env) and not self.cert_file:
            raise ValueError("a key is of no use without cert_file, the certificate it belongs to")
        return self

    def context(self) -> ssl.SSLContext:
        """What connections are checked with and shown.

        Raises
        ------
        YardFileError
            A file cannot be used, or the key's password is not set.
        """
        from ingest.access import secret_from_environment, tls_context

        password = None
        if self.key_password_env:
            password = secret_from_environment(self.key_password_env, "mqtt.tls.key_password_env")
        return tls_context(self.ca_file, self.cert_file, self.key_file, password)


class Mqtt(_Table):
    """The broker that boxes send to.

    Parameters
    ----------
    host : str
        Name or address.
    port : int
        TCP port; by default 1883, with ``tls`` 8883.
    root : str
        First level of the topic ``<root>/<site>/<pot>/readings``.
    client_id : str
        Identity of the persistent session; by default ``gritbook-<site>``.
    keepalive_s : int
        MQTT keep-alive. [s]
    username : str
        Empty: the broker asks for none.
    password_env : str
        Name of the environment variable that holds the password.
    password_file : str
        File that holds it instead; nobody but its owner may be able to read it.
    strict : bool
        A message must speak of the pot in its topic, else it is quarantined.
    broker_log : str
        The broker's log file, where it is on this computer: refused clients are counted from it.
    tls : MqttTls or None
        ``None``: the connection is not secured.
    """

    host: FilledText
    port: int = Field(1883, ge=1, le=65535)
    root: FilledText = "gritbook"
    client_id: FilledText = "gritbook"
    keepalive_s: int = Field(30, ge=5, le=3600)
    username: Text = ""
    password_env: Text = ""
    password_file: WholePath = ""
    strict: bool = True
    broker_log: WholePath = ""
    tls: MqttTls | None = None

    @model_validator(mode="after")
    def _one_password(self) -> Mqtt:
        if self.password_env and self.password_file:
            raise ValueError("expected password_env or password_file, not both")
        return self

    @field_validator("root")
    @classmethod
    def _plain(cls, value: str) -> str:
        if set(value) & set("+#$\0") or value.startswith("/") or value.endswith("/"):
            raise ValueError("expected a topic without +, # and $ that does not begin or end in /")
        return value

    def password(self) -> str | None:
        """The password from the environment or its file; ``None`` where neither is named.

        Raises
        ------
        YardFileError
            The variable is not set, or the file cannot be used.
        """
        from ingest.access import secret_from_environment, secret_from_file

        if self.password_env:
            return secret_from_environment(self.password_env, "mqtt.password_env")
        if self.password_file:
            return secret_from_file(Path(self.password_file), "mqtt.password_file")
        return None


class SerialLine(_Table):
    """A serial line that boxes send on.

    Parameters
    ----------
    port : str
        Device, or a URL that pyserial takes, such as ``socket://192.0.2.7:4001``.
    baud : int
        Speed. [baud]
    crc : str
        ``required``: a line without the CRC-32 trailer is refused. ``optional``: it is taken.
    pots : tuple of str
        Pots whose boxes are on this line; empty: any.
    """

    port: FilledText
    baud: int = Field(115200, ge=300, le=4_000_000)
    crc: Literal["optional", "required"] = "optional"
    pots: Annotated[tuple[str, ...], BeforeValidator(_as_tuple)] = ()


class ModbusRegister(_Table):
    """A value in the registers of a Modbus device: number * scale + offset, in ``unit``.

    Parameters
    ----------
    pot, channel : str
        What it measures.
    address : int
        First register, counted from 0 as on the wire; makers often count from 1, 30001 or 40001.
    kind : str
        ``input`` (function 4) or ``holding`` (function 3).
    type : str
        ``int16``, ``uint16``, ``int32``, ``uint32`` or ``float32``.
    word_order : str
        Of two registers: ``big`` has the high word first.
    unit : str
        SenML unit of the value: ``Pa``, ``hPa``, ``mA``, ``Cel``, ``%RH``, ``kg``, or ``/`` for
        a switch.
    scale, offset : float
        From the number in the registers to the unit.
    """

    pot: str
    channel: ChannelName
    address: int = Field(ge=0, le=65_535)
    kind: Literal["input", "holding"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "uint16"
    word_order: Literal["big", "little"] = "big"
    unit: FilledText
    scale: float = 1.0
    offset: float = 0.0

    @model_validator(mode="after")
    def _fits(self) -> ModbusRegister:
        channel = CHANNELS[self.channel]
        units = [sent for sent, kept in UNIT_FACTORS if kept == channel.unit]
        if channel.current_column:
            units.append("mA")
        if self.unit not in units:
            raise ValueError(
                f'unit "{self.unit}" is not taken for {self.channel}; write '
                f"{' or '.join(units)}, with the scale that leads there"
            )
        if self.type not in ("int16", "uint16") and self.address == 65_535:
            raise ValueError(f"a {self.type} takes two registers, and 65535 is the last there is")
        if self.scale == 0:
            raise ValueError("scale = 0 would make every value the same")
        return self


class ModbusUnit(_Table):
    """A Modbus device on a line.

    Parameters
    ----------
    unit : int
        Its address.
    timeout_s : float
        How long to wait for its answer. [s]
    registers : tuple of ModbusRegister
        What to read.
    """

    unit: int = Field(ge=1, le=247)
    timeout_s: float = Field(0.2, ge=0.01, le=10)
    registers: Annotated[tuple[ModbusRegister, ...], BeforeValidator(_as_tuple)] = Field(
        alias="register", min_length=1
    )


class ModbusLine(_Table):
    """An RS-485 line whose devices are polled with Modbus RTU.

    Parameters
    ----------
    port : str
        Device, or a URL that pyserial takes, such as ``socket://192.0.2.7:4001``.
    baud : int
        Speed. [baud]
    parity : str
        ``even``, ``odd`` or ``none``.
    stop_bits : int
        One; two where there is no parity, says the standard, though most devices take one.
    rate_hz : float
        Rounds a second; each asks every unit. [1/s]
    units : tuple of ModbusUnit
        Devices on the line.
    """

    port: FilledText
    baud: int = Field(19_200, ge=300, le=4_000_000)
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: int = Field(1, ge=1, le=2)
    rate_hz: float = Field(10.0, gt=0, le=100)
    units: Annotated[tuple[ModbusUnit, ...], BeforeValidator(_as_tuple)] = Field(
        alias="unit", min_length=1
    )

    @property
    def pots(self) -> tuple[str, ...]:
        """Pots that the line's devices measure on."""
        named = (register.pot for unit in self.units for register in unit.registers)
        return tuple(dict.fromkeys(named))


class Part(_Table):
    """A part that is on a pot when the yard file is written.

    Parameters
    ----------
    part : str
        Kind, a key of :data:`ingest.parts.PART_WORDS`.
    fitted_at : datetime
        When it was fitted, UTC.
    tag : str
        What is stamped or painted on it.
    checked_at : datetime or None
        When it was last checked, UTC; ``None``: not known.
    """

    part: PartKind
    fitted_at: Instant
    tag: Text = ""
    checked_at: Instant | None = None


class Pot(_Table):
    """A blast pot.

    Parameters
    ----------
    name : str
        Slug; the base name on the wire without its slash.
    title : str
        What people call it; by default its name.
    volume_m3 : float
        Inner volume of the vessel. [m3]
    plate_pa : float
        Highest working pressure on the vessel's plate, gauge. [Pa]
    parts : tuple of Part
        What is fitted.
    """

    name: Slug
    title: Text = ""
    volume_m3: float
    plate_pa: float
    parts: Annotated[tuple[Part, ...], BeforeValidator(_as_tuple)] = Field((), alias="part")

    @field_validator("volume_m3")
    @classmethod
    def _volume(cls, value: float) -> float:
        if hint := volume_hint(value):
            raise ValueError(hint)
        return value

    @field_validator("plate_pa")
    @classmethod
    def _plate(cls, value: float) -> float:
        if hint := pressure_hint(value):
            raise ValueError(hint)
        return value


class Box(_Table):
    """A sensor box on a pot.

    Parameters
    ----------
    name : str
        Slug.
    pot : str
        The pot it sits on.
    source : str
        ``mqtt``, ``serial`` or ``modbus``.
    rate_hz : float
        Samples a second that it is set to. [1/s]
    gap_s : float
        Nothing heard for longer than this is a gap. [s]
    channels : tuple of str
        What it measures.
    """

    name: Slug
    pot: str
    source: Literal["mqtt", "serial", "modbus"] = "mqtt"
    rate_hz: Positive = 10.0
    gap_s: Positive = 2.0
    channels: Annotated[tuple[ChannelName, ...], BeforeValidator(_as_tuple)] = Field(min_length=1)

    @model_validator(mode="after")
    def _gap_above_period(self) -> Box:
        if self.gap_s <= 1.5 / self.rate_hz:
            raise ValueError(
                f"gap_s = {self.gap_s} with rate_hz = {self.rate_hz}: a gap must be longer than "
                "one and a half sampling periods, or every pause between samples is one"
            )
        return self


class Calibration(_Table):
    """A calibration, good until the next one: true = (read - offset_pa) * gain.

    Parameters
    ----------
    from_at : datetime
        From this instant on, UTC.
    offset_pa : float
        What it reads at zero. [Pa]
    gain : float
        True change for a change read of one.
    points_pa : tuple of tuple of float
        In place of both, two points as on a certificate: what it read and what was true, each.
        [Pa gauge]
    """

    from_at: Instant
    offset_pa: float = 0.0
    gain: Annotated[float, Field(gt=0.5, lt=2.0)] = 1.0
    points_pa: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_as_points)] = ()

    @model_validator(mode="before")
    @classmethod
    def _from_points(cls, values: object) -> object:
        if not isinstance(values, dict) or "points_pa" not in values:
            return values
        for key in ("offset_pa", "gain"):
            if key in values:
                raise ValueError(f"expected points_pa or {key}, not both")
        points = _as_points(values["points_pa"])
        if not _are_two_points(points):
            raise ValueError("points_pa: expected two points, [[read, true], [read, true]], in Pa")
        (read, true), (read_other, true_other) = sorted(points)
        if read_other - read < 10_000.0:
            raise ValueError(
                "points_pa: the points were read less than 10000 Pa apart; that says nothing "
                "about the gain. Write offset_pa for a zero alone"
            )
        gain = (true_other - true) / (read_other - read)
        if not 0.5 < gain < 2.0:
            raise ValueError(
                f"points_pa: a gain of {gain:.4g}; look at the order, [read, true], and at the unit"
            )
        return {**values, "gain": gain, "offset_pa": read - true / gain}


class Transducer(_Table):
    """A pressure transducer.

    Parameters
    ----------
    pot, channel : str
        Where it sits.
    unit : str
        ``Pa``: the box sends pressure. ``mA``: it sends the raw loop current.
    range_pa : tuple of float
        Lower and upper end of its range, gauge; for ``mA`` the pressures at 4 and 20 mA. [Pa]
    tag : str
        What is stamped on it.
    calibrations : tuple of Calibration
        Oldest first. Before the first one: as read.
    """

    pot: str
    channel: str
    unit: Literal["Pa", "mA"] = "Pa"
    range_pa: Annotated[tuple[float, float], BeforeValidator(_as_tuple)]
    tag: Text = ""
    calibrations: Annotated[tuple[Calibration, ...], BeforeValidator(_as_tuple)] = Field(
        (), alias="calibration"
    )

    @field_validator("channel")
    @classmethod
    def _pressure(cls, value: str) -> str:
        if value not in PRESSURE_CHANNELS:
            words = suggestion(value, PRESSURE_CHANNELS)
            raise ValueError(f"there is no such pressure channel{words}")
        return value

    @field_validator("range_pa")
    @classmethod
    def _range(cls, value: tuple[float, float]) -> tuple[float, float]:
        low, high = value
        if low >= high:
            raise ValueError("expected the lower end first, then the upper end, in Pa gauge")
        # Transducers for other pressures than a pot's exist, so only what is surely another unit.
        if high < 25_000.0 and (hint := pressure_hint(high)):
            raise ValueError(f"upper end {high}: {hint}")
        return value

    def calibration_at(self, instant: dt.datetime) -> Calibration | None:
        """The calibration in force at an instant; ``None`` before the first."""
        in_force = [c for c in self.calibrations if c.from_at <= instant]
        return in_force[-1] if in_force else None


class Derive(_Table):
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


class Rule(_Table):
    """A check that the yard file asks for.

    Parameters
    ----------
    part : str
        Kind of part, a key of :data:`ingest.parts.PART_WORDS`.
    what : str
        What is checked; by default as the part's default rule says.
    every_blast_h : float or None
        Limit in blasting hours. [h]
    every_cycles : int or None
        Limit in pinch cycles.
    every_days : float or None
        Limit in calendar days. [d]
    due_soon : float
        Fraction of the limit before its end from which it is due soon.
    source : str
        What it rests on: law, plate, standard or common practice, and which.
    reason, by : str
        Why it is looser than the default, and who decided so.
    """

    part: PartKind
    what: Text = ""
    every_blast_h: Positive | None = None
    every_cycles: Annotated[int, Field(gt=0)] | None = None
    every_days: Positive | None = None
    due_soon: float = Field(0.1, ge=0, lt=1)
    source: Text = ""
    reason: Text = ""
    by: Text = ""

    @model_validator(mode="after")
    def _limits(self) -> Rule:
        if self.every_blast_h is None and self.every_cycles is None and self.every_days is None:
            raise ValueError("expected at least one of every_blast_h, every_cycles, every_days")
        default = _default_rule(self.part)
        if default is None and not self.what:
            raise ValueError("expected `what`: this part has no default check")
        if default is not None:
            looser = [
                f"{name} {_as_limit(theirs)} instead of {_as_limit(ours)}"
                for name in ("every_blast_h", "every_cycles", "every_days")
                if (ours := getattr(default, name)) is not None
                and _looser(theirs := getattr(self, name), ours)
            ]
            if looser and not (self.reason and self.by):
                raise ValueError(
                    f"looser than the default ({'; '.join(looser)}); write `reason` and `by`, "
                    "or keep the default's limits"
                )
        return self


class EffectiveRule(_Table):
    """A check as it holds in this yard: the default, or the yard file's in its place.

    The parameters of :class:`Rule`, and:

    Parameters
    ----------
    loosened : bool
        Some limit is larger than the default's, or one of its triggers was dropped.
    from_yard_file : bool
        The yard file asked for it.
    """

    part: str
    what: str
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    due_soon: float
    source: str
    reason: str
    by: str
    loosened: bool
    from_yard_file: bool


class Limits(_Table):
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


class Keep(_Table):
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


class Metrics(_Table):
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


class Yard(_Table):
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
    metrics : Metrics or None
        ``None``: no port is opened.
    """

    site: Site
    mqtt: Mqtt | None = None
    serial: Annotated[tuple[SerialLine, ...], BeforeValidator(_as_tuple)] = ()
    modbus: Annotated[tuple[ModbusLine, ...], BeforeValidator(_as_tuple)] = ()
    pots: Annotated[tuple[Pot, ...], BeforeValidator(_as_tuple)] = Field(alias="pot", min_length=1)
    boxes: Annotated[tuple[Box, ...], BeforeValidator(_as_tuple)] = Field((), alias="box")
    transducers: Annotated[tuple[Transducer, ...], BeforeValidator(_as_tuple)] = Field(
        (), alias="transducer"
    )
    derive: Derive = Derive()
    rules: Annotated[tuple[Rule, ...], BeforeValidator(_as_tuple)] = Field((), alias="rule")
    limits: Limits = Limits()
    keep: Keep = Keep()
    metrics: Metrics | None = None

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
        """The checks that hold: each default, or what the yard file has in its place, then others.

        Returns
        -------
        tuple of EffectiveRule
            One a kind of part.
        """
        own = {rule.part: rule for rule in self.rules}
        effective = []
        for part in [d.part for d in DEFAULT_RULES] + [
            rule.part for rule in self.rules if _default_rule(rule.part) is None
        ]:
            default, rule = _default_rule(part), own.get(part)
            if rule is None:
                assert default is not None
                effective.append(
                    EffectiveRule(
                        **default._asdict(), due_soon=0.1, reason="", by="",
                        loosened=False, from_yard_file=False,
                    )
                )  # fmt: skip
                continue
            loosened = default is not None and any(
                _looser(getattr(rule, name), ours)
                for name in ("every_blast_h", "every_cycles", "every_days")
                if (ours := getattr(default, name)) is not None
            )
            values = rule.model_dump()
            values["what"] = rule.what or (default.what if default else "")
            values["source"] = rule.source or "this yard's own rule"
            effective.append(EffectiveRule(**values, loosened=loosened, from_yard_file=True))
        return tuple(effective)


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


def _default_rule(part: str) -> DefaultRule | None:
    return next((rule for rule in DEFAULT_RULES if rule.part == part), None)


def _looser(theirs: float | None, ours: float) -> bool:
    return theirs is None or theirs > ours


def _as_limit(limit: float | None) -> str:
    return "none" if limit is None else f"{limit:g}"


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
