"""Kinds of values that records hold, and the model that all of their bodies are."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    StringConstraints,
    ValidationInfo,
)

from ingest.instants import utc_instant


def _instant(value: object, info: ValidationInfo) -> dt.datetime:
    return utc_instant(value, (info.context or {})["zone"])


def _write_instant(value: dt.datetime) -> str:
    return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")


def as_tuple(value: object) -> object:
    """A list as a tuple, so that bodies stay frozen all through."""
    return tuple(value) if isinstance(value, list) else value


Instant = Annotated[dt.datetime, BeforeValidator(_instant), PlainSerializer(_write_instant)]
Name = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=80, pattern=r"^[^\n\r]*$"),
]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=2000)]
#: A name that may be left out.
MaybeName = Annotated[
    str, StringConstraints(strip_whitespace=True, max_length=80, pattern=r"^[^\n\r]*$")
]


class Body(BaseModel):
    """What is typed for one record: frozen, and with no key that is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
