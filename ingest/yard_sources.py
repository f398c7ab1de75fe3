"""What the yard file says of brokers, serial lines and Modbus lines: where readings come from."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from ingest.channels import CHANNELS, UNIT_FACTORS
from ingest.yard_values import ChannelName, FilledText, Table, Text, WholePath, as_tuple


class MqttTls(Table):
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


class Mqtt(Table):
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
    share : str
        Name under which the workers of `gritbook ingest --worker` share the readings' messages.
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
    share: FilledText = "gritbook-workers"
    broker_log: WholePath = ""
    tls: MqttTls | None = None

    @model_validator(mode="after")
    def _one_password(self) -> Mqtt:
        if self.password_env and self.password_file:
            raise ValueError("expected password_env or password_file, not both")
        return self

    @field_validator("share")
    @classmethod
    def _one_level(cls, value: str) -> str:
        if set(value) & set("/+#\0"):
            raise ValueError("expected a name without /, + and #")
        return value

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


class SerialLine(Table):
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
    pots: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] = ()


class ModbusRegister(Table):
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


class ModbusUnit(Table):
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
    registers: Annotated[tuple[ModbusRegister, ...], BeforeValidator(as_tuple)] = Field(
        alias="register", min_length=1
    )


class ModbusLine(Table):
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
    units: Annotated[tuple[ModbusUnit, ...], BeforeValidator(as_tuple)] = Field(
        alias="unit", min_length=1
    )

    @property
    def pots(self) -> tuple[str, ...]:
        """Pots that the line's devices measure on."""
        named = (register.pot for unit in self.units for register in unit.registers)
        return tuple(dict.fromkeys(named))
