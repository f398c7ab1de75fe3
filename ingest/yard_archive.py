"""The yard file's table of the archive: when days leave the store, and where to."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, model_validator

from ingest.yard_values import Table


def _place(value: object) -> object:
    if not isinstance(value, str) or not value:
        return value
    if "://" not in value:
        if not Path(value).expanduser().is_absolute():
            raise ValueError("expected a whole path, or an address such as s3://bucket/folder")
        return str(Path(value).expanduser())
    if "@" in urlsplit(value).netloc:
        raise ValueError(
            "a name or password does not belong here: give it to the object store's client, "
            "such as by AWS_ACCESS_KEY_ID"
        )
    return value.rstrip("/")


PlaceAddress = Annotated[str, BeforeValidator(_place)]


class Archive(Table):
    """When days leave the store for files, and where those lie.

    Parameters
    ----------
    days : int
        `gritbook archive` moves UTC days that ended longer ago than this. [d]
    place : str
        Empty: the folder ``archive`` in the data folder; else a whole path or an address.
    cold_days : int or None
        Files of days older than this are moved on to ``cold_place``; ``None``: never. [d]
    cold_place : str
        As ``place``.
    drop_journal : bool
        Journal segments of which every reading is archived are dropped. Then `gritbook repair`
        needs the archive.
    """

    days: int = Field(60, ge=1)
    place: PlaceAddress = ""
    cold_days: Annotated[int, Field(ge=1)] | None = None
    cold_place: PlaceAddress = ""
    drop_journal: bool = False

    @model_validator(mode="after")
    def _ordered(self) -> Archive:
        if self.cold_days is not None and not self.cold_place:
            raise ValueError("expected cold_place where cold_days is given")
        if self.cold_days is not None and self.cold_days < self.days:
            raise ValueError("expected cold_days not below days")
        return self
