"""Kinds of values that the yard file holds, and how each is read."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
)

from ingest.channels import CHANNELS
from ingest.instants import utc_instant
from ingest.parts import PART_WORDS
from ingest.yard_faults import suggestion


def _instant(value: object, info: ValidationInfo) -> dt.datetime:
    zone = (info.context or {}).get("zone") or ZoneInfo("UTC")
    return utc_instant(value, zone)


def as_tuple(value: object) -> object:
    """A list of the file as a tuple, so that models stay frozen all through."""
    return tuple(value) if isinstance(value, list) else value


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


def _whole_path(value: object) -> object:
    if isinstance(value, str) and value and not Path(value).expanduser().is_absolute():
        raise ValueError("expected a whole path, such as /etc/gritbook/mqtt-password")
    return str(Path(value).expanduser()) if isinstance(value, str) and value else value


Instant = Annotated[dt.datetime, BeforeValidator(_instant)]
Slug = Annotated[str, BeforeValidator(_slug)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=500)]
FilledText = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]
PartKind = Annotated[str, BeforeValidator(_part_kind)]
ChannelName = Annotated[str, BeforeValidator(_channel)]
Positive = Annotated[float, Field(gt=0)]
WholePath = Annotated[str, BeforeValidator(_whole_path)]


class Table(BaseModel):
    """A table of the yard file: frozen, and an unknown key in it is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
