"""What each kind of record holds, and how what people type becomes it.

Instants are UTC; typed without a zone they are the site's wall clock. A body is stored as JSON
with exactly these keys.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
    ValidationError,
    ValidationInfo,
    model_validator,
)

from ingest.config import Yard
from ingest.errors import RecordRefused
from ingest.instants import utc_instant
from ingest.notice_kinds import NOTICE_KINDS, PUT_OFF_H, PUT_OFF_HURTING_H
from ingest.parts import PART_WORDS
from ingest.yard_faults import MISSING, KeyPath, ended, from_pydantic, shown, suggestion

#: Longest shift that is believed; longer is a slip in a date. [h]
LONGEST_SHIFT_H = 24.0

#: How far ahead of its entry something that was done may lie: a clock that is off by a zone. [h]
FUTURE_ALLOWED_H = 14.0


def _instant(value: object, info: ValidationInfo) -> dt.datetime:
    return utc_instant(value, (info.context or {})["zone"])


def _write_instant(value: dt.datetime) -> str:
    return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")


_SURFACES = {"a": "A", "b": "B", "c": "C", "d": "D", "coated": "coated", "": ""}
_PREPARATIONS = {"": "", "1": "Sa 1", "2": "Sa 2", "2.5": "Sa 2½", "21/2": "Sa 2½", "2½": "Sa 2½",
                 "3": "Sa 3"}  # fmt: skip


def rust_grade_as_kept(value: object) -> object:
    """A rust grade of ISO 8501-1 as it is kept: ``A`` to ``D``, ``coated``, or empty."""
    if not isinstance(value, str):
        return value
    if (known := _SURFACES.get(value.strip().lower())) is None:
        raise ValueError("expected A, B, C, D or coated")
    return known


def prep_grade_as_kept(value: object) -> object:
    """A preparation grade of ISO 8501-1 as it is kept, or empty.

    Examples
    --------
    >>> [prep_grade_as_kept(typed) for typed in ("sa2.5", "Sa 2 1/2", "SA 2,5", "Sa 3", "")]
    ['Sa 2½', 'Sa 2½', 'Sa 2½', 'Sa 3', '']
    """
    if not isinstance(value, str):
        return value
    typed = re.sub(r"^sa", "", re.sub(r"[\s-]+", "", value.strip().lower())).replace(",", ".")
    if (known := _PREPARATIONS.get(typed)) is None:
        raise ValueError("expected Sa 1, Sa 2, Sa 2½ or Sa 3")
    return known


def _part_kind(value: str) -> str:
    if value not in PART_WORDS:
        raise ValueError(f"there is no such kind of part{suggestion(value, PART_WORDS)}")
    return value


def _notice_kind(value: str) -> str:
    if value not in NOTICE_KINDS:
        raise ValueError(f"there is no such kind of notice{suggestion(value, NOTICE_KINDS)}")
    return value


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


Instant = Annotated[dt.datetime, BeforeValidator(_instant), PlainSerializer(_write_instant)]
Name = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=80, pattern=r"^[^\n\r]*$"),
]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=2000)]
PartKind = Annotated[Name, AfterValidator(_part_kind)]
NoticeKindName = Annotated[Name, AfterValidator(_notice_kind)]


class _Body(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Crew(_Body):
    """People who work together: ``crew`` is the name, ``size`` how many."""

    crew: Name
    size: int = Field(ge=1, le=100)


class Job(_Body):
    """Something to be blasted.

    ``item`` says what; ``rust_grade`` and ``prep_grade`` are those of ISO 8501-1, rust grade
    ``coated`` where there is old paint; ``planned_m2`` is the area expected. [m2]
    """

    job: Name
    item: Text = ""
    rust_grade: Annotated[str, BeforeValidator(rust_grade_as_kept)] = ""
    prep_grade: Annotated[str, BeforeValidator(prep_grade_as_kept)] = ""
    planned_m2: float | None = Field(None, gt=0, le=1_000_000)


class Shift(_Body):
    """A crew at work on a job with some pots, from ``from_at`` up to but without ``to_at``.

    ``people`` is how many of them were there; ``None``: as many as the crew has.
    """

    shift: Name
    crew: Name
    job: Name
    pots: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = Field(min_length=1)
    from_at: Instant
    to_at: Instant
    people: int | None = Field(None, ge=1, le=100)

    @model_validator(mode="after")
    def _believable(self) -> Shift:
        hours = (self.to_at - self.from_at).total_seconds() / 3600
        if hours <= 0:
            raise ValueError("the shift must end after it begins; a night shift ends the next day")
        if hours > LONGEST_SHIFT_H:
            raise ValueError(
                f"a shift of {hours:.1f} h is longer than {LONGEST_SHIFT_H:.0f} h; "
                "look at its dates"
            )
        if len(set(self.pots)) < len(self.pots):
            raise ValueError("a pot is named twice")
        return self


class Area(_Body):
    """Steel brought to the grade asked for: ``area_m2`` [m2] of a job, in a shift, with a pot."""

    job: Name
    shift: Name
    pot: Name
    area_m2: float = Field(gt=0, le=10_000)
    at: Instant
    note: Text = ""


class Abrasive(_Body):
    """Bags tipped into a pot: how many, of how much each [kg], of what."""

    pot: Name
    at: Instant
    bags: float = Field(gt=0, le=1_000)
    bag_kg: float = Field(25.0, gt=0, le=2_000)
    abrasive: Text = ""
    shift: Text = ""


class PartFitted(_Body):
    """A part put on a pot: ``tag`` is what is stamped or painted on it."""

    pot: Name
    part: PartKind
    at: Instant
    tag: Text = ""
    note: Text = ""


class Check(_Body):
    """A check done, with its result and what was measured."""

    pot: Name
    part: PartKind
    at: Instant
    result: Literal["good", "worn", "replaced", "failed"]
    measurement: Text = ""
    note: Text = ""


class NoticeSeen(_Body):
    """Somebody acknowledged a notice: it holds for the kind that the notice was then.

    ``notice`` is its id; ``pot``, ``notice_kind``, ``cause`` and ``began_at`` find it again where
    late data have moved its beginning, and with it its id.
    """

    pot: Name
    notice: Name
    notice_kind: NoticeKindName
    cause: Text = ""
    began_at: Instant
    at: Instant
    note: Text = ""


class NoticePutOff(NoticeSeen):
    """Somebody put a notice off until ``until_at``, and said ``why``."""

    until_at: Instant
    why: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]

    @model_validator(mode="after")
    def _bounded(self) -> NoticePutOff:
        hours = (self.until_at - self.at).total_seconds() / 3600
        kind = NOTICE_KINDS[self.notice_kind]
        most = PUT_OFF_HURTING_H if kind.hurts else PUT_OFF_H
        if hours <= 0:
            raise ValueError("it must be put off until later than now")
        if hours > most:
            why = "; it can hurt people" if kind.hurts else ""
            raise ValueError(
                f'"{kind.words}" is put off for {most:.0f} h at most{why}, not for {hours:.0f} h'
            )
        return self


#: Kind of record -> its body.
BODIES: dict[str, type[_Body]] = {
    "shift": Shift,
    "crew": Crew,
    "job": Job,
    "area": Area,
    "abrasive": Abrasive,
    "part_fitted": PartFitted,
    "check": Check,
    "notice_seen": NoticeSeen,
    "notice_put_off": NoticePutOff,
}

#: Kind of record -> the key that names it, where others refer to it by name.
KEYS = {"shift": "shift", "crew": "crew", "job": "job"}

#: Keys of bodies that hold instants.
INSTANT_KEYS = frozenset({"at", "from_at", "to_at", "began_at", "until_at"})


def checked_body(
    yard: Yard, kind: str, body: Mapping[str, Any], recorded_at: dt.datetime
) -> dict[str, Any]:
    """A body as it is stored: every key there, instants as UTC text.

    Parameters
    ----------
    yard : Yard
        For the site's zone and the names of its pots.
    kind : str
        Kind of record, a key of :data:`BODIES`.
    body : mapping
        What was typed. For kinds with an ``at``, it may be missing: then it is ``recorded_at``.
    recorded_at : datetime
        When it was entered, aware.

    Raises
    ------
    RecordRefused
        Something in it cannot be; every fault is named.
    """
    model = BODIES.get(kind)
    if model is None:
        raise RecordRefused(
            ended(f'There is no kind of record "{kind}"{suggestion(kind, BODIES)}'),
            "Choose one of the kinds named.",
        )
    typed = dict(body)
    if "at" in model.model_fields and typed.get("at") in (None, ""):
        typed["at"] = recorded_at
    try:
        checked = model.model_validate(typed, context={"zone": yard.site.zone})
    except ValidationError as error:
        raise RecordRefused(
            ended(f"The {words_of(kind)} was not taken: {_faults(error, model)}"),
            "Nothing was saved; mend it and enter it again.",
        ) from error
    values = checked.model_dump(mode="json")
    named_pots = values.get("pots") or ([values["pot"]] if "pot" in values else [])
    for pot in named_pots:
        if pot not in yard.pot_names:
            raise RecordRefused(
                ended(
                    f'The {words_of(kind)} was not taken: there is no pot "{pot}"'
                    f"{suggestion(pot, yard.pot_names)}"
                ),
                "Pots are named in the yard file.",
            )
    done_at = getattr(checked, "at", None)
    if done_at is not None and done_at - recorded_at > dt.timedelta(hours=FUTURE_ALLOWED_H):
        raise RecordRefused(
            f"The {words_of(kind)} was not taken: {values['at']} is later than its entry.",
            "Look at the date; what is still to be done cannot be recorded as done.",
        )
    return values


def words_of(kind: str) -> str:
    """A kind of record in people's words."""
    return {
        "part_fitted": "fitted part",
        "abrasive": "abrasive tipped",
        "area": "area done",
        "notice_seen": "acknowledgement",
        "notice_put_off": "putting off",
    }.get(kind, kind)


def _faults(error: ValidationError, model: type[BaseModel]) -> str:
    keys: dict[KeyPath, tuple[str, ...]] = {(): tuple(model.model_fields)}
    sentences = []
    for fault in from_pydantic(error.errors(include_url=False), keys):
        name = ".".join(str(step) for step in fault.path)
        value = "" if fault.value is MISSING else f" = {shown(fault.value)}"
        sentences.append(f"{name}{value}: {fault.expected}" if name else fault.expected)
    return "; ".join(sentences)
