"""What the yard file says of pots, the boxes on them, and their transducers."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal, TypeGuard

from pydantic import BeforeValidator, Field, field_validator, model_validator

from ingest.channels import CHANNELS
from ingest.yard_faults import pressure_hint, suggestion, volume_hint
from ingest.yard_values import ChannelName, Instant, PartKind, Positive, Slug, Table, Text, as_tuple

#: Channels a transducer can stand behind.
PRESSURE_CHANNELS = tuple(c.name for c in CHANNELS.values() if c.unit == "Pa")


def _as_points(value: object) -> object:
    return tuple(as_tuple(point) for point in value) if isinstance(value, list) else value


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


class Part(Table):
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
    position : str
        Where it sits, where a pot has several of the kind; by default the usual place.
    """

    part: PartKind
    fitted_at: Instant
    tag: Text = ""
    checked_at: Instant | None = None
    position: Text = ""


class Pot(Table):
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
    nozzle_bore_m : float or None
        Bore of the nozzle as bought; a check that measured a nozzle's bore comes before it. [m]
    parts : tuple of Part
        What is fitted.
    """

    name: Slug
    title: Text = ""
    volume_m3: float
    plate_pa: float
    nozzle_bore_m: Annotated[float, Field(ge=0.003, le=0.030)] | None = None
    parts: Annotated[tuple[Part, ...], BeforeValidator(as_tuple)] = Field((), alias="part")

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


class Box(Table):
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
    channels: Annotated[tuple[ChannelName, ...], BeforeValidator(as_tuple)] = Field(min_length=1)

    @model_validator(mode="after")
    def _gap_above_period(self) -> Box:
        if self.gap_s <= 1.5 / self.rate_hz:
            raise ValueError(
                f"gap_s = {self.gap_s} with rate_hz = {self.rate_hz}: a gap must be longer than "
                "one and a half sampling periods, or every pause between samples is one"
            )
        return self


class Calibration(Table):
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


class Transducer(Table):
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
    range_pa: Annotated[tuple[float, float], BeforeValidator(as_tuple)]
    tag: Text = ""
    calibrations: Annotated[tuple[Calibration, ...], BeforeValidator(as_tuple)] = Field(
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
