"""What the yard file says of telling notices: when, to whom, and where the addresses are.

Addresses of services hold passwords. So they stand in an environment variable or in a file that
only its owner can read; never in the yard file, never in the log.
"""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from ingest.errors import YardFileError
from ingest.yard_values import Slug, Table, Text, WholePath, as_tuple

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def _clock_time(value: object) -> object:
    if isinstance(value, str):
        if not (found := _CLOCK.fullmatch(value)):
            raise ValueError('expected a time of day such as "06:30"')
        return dt.time(int(found[1]), int(found[2]))
    return value


ClockTime = Annotated[dt.time, BeforeValidator(_clock_time)]


class NoticeChannel(Table):
    """Somebody who is told notices by e-mail or chat.

    Parameters
    ----------
    name : str
        Slug: what it is called on pages and in the log.
    urls_env : str
        Name of the environment variable that holds the addresses, as apprise writes them, with
        spaces between.
    urls_file : str
        File that holds them instead, one a line; nobody but its owner may be able to read it.
    tell : str
        ``all``; or ``hurts``: only what can hurt people, and the digest.
    digest : bool
        Whether the daily digest is sent.
    pots : tuple of str
        Pots that it is told of; empty: all.
    """

    name: Slug
    urls_env: Text = ""
    urls_file: WholePath = ""
    tell: Literal["all", "hurts"] = "all"
    digest: bool = True
    pots: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] = ()

    @model_validator(mode="after")
    def _one_place(self) -> NoticeChannel:
        if bool(self.urls_env) == bool(self.urls_file):
            raise ValueError("expected urls_env or urls_file, one of them")
        return self

    def urls(self) -> tuple[str, ...]:
        """The addresses.

        Raises
        ------
        YardFileError
            The variable is not set, or the file cannot be used; the addresses are not in it.
        """
        from ingest.access import refuse_readable_by_others, secret_from_environment

        key = f'notices.channel "{self.name}"'
        if self.urls_env:
            found = tuple(secret_from_environment(self.urls_env, f"{key}.urls_env").split())
        else:
            path = Path(self.urls_file)
            try:
                refuse_readable_by_others(path, f"{key}.urls_file")
                lines = path.read_text(encoding="utf-8").splitlines()
            except (OSError, UnicodeDecodeError) as error:
                reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
                raise YardFileError(
                    f"{key}.urls_file names {path}, which cannot be read: {reason}.",
                    "Write one address a line into it, for the user that runs Gritbook alone.",
                ) from error
            found = tuple(
                line.strip() for line in lines if line.strip() and not line.startswith("#")
            )
        if not found or any("://" not in url for url in found):
            raise YardFileError(
                f"{key} names no address, or something that is none.",
                "An address looks like mailto://… or json://…; see the yard file's template.",
            )
        return found


class Notices(Table):
    """How notices are told.

    Parameters
    ----------
    mqtt : bool
        Whether each notice is kept at the broker, on ``<root>/<site>/<pot>/notices/<id>``.
    quiet_from, quiet_to : time
        On the site's clock: what cannot hurt people waits until they are over. Alike: none.
    digest_at : time
        On the site's clock.
    channels : tuple of NoticeChannel
        Who is told.
    """

    mqtt: bool = False
    quiet_from: ClockTime = dt.time(20, 0)
    quiet_to: ClockTime = dt.time(6, 0)
    digest_at: ClockTime = dt.time(6, 30)
    channels: Annotated[tuple[NoticeChannel, ...], BeforeValidator(as_tuple)] = Field(
        (), alias="channel"
    )

    @model_validator(mode="after")
    def _names(self) -> Notices:
        names = [channel.name for channel in self.channels]
        if len(set(names)) < len(names) or "mqtt" in names:
            raise ValueError("two channels have the same name, or one is called mqtt")
        return self

    @property
    def any(self) -> bool:
        """Whether anybody is told anything."""
        return self.mqtt or bool(self.channels)

    def is_quiet(self, clock: dt.time) -> bool:
        """Whether a time of day on the site's clock lies in quiet hours.

        Examples
        --------
        >>> night = Notices(quiet_from="20:00", quiet_to="06:00")
        >>> [night.is_quiet(dt.time(h)) for h in (5, 6, 19, 20)]
        [True, False, False, True]
        """
        begin, end = self.quiet_from, self.quiet_to
        if begin <= end:
            return begin <= clock < end
        return clock >= begin or clock < end
