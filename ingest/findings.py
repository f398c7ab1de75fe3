"""What a check of `gritbook check` has to say."""

from __future__ import annotations

from typing import Literal, NamedTuple

Status = Literal["ok", "warn", "fail"]


class Finding(NamedTuple):
    """What a check found.

    Parameters
    ----------
    subject : str
        What was looked at, in a word or two.
    status : str
        ``ok``; ``warn``: look at it; ``fail``: it will not work.
    what : str
        One sentence.
    next_step : str
        What to do; empty where nothing is.
    """

    subject: str
    status: Status
    what: str
    next_step: str = ""
