"""What each kind of record holds, and how what people type becomes it.

Instants are UTC; typed without a zone they are the site's wall clock. A body is stored as JSON
with these keys; one that was stored before a key was known lacks it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from ingest.config import Yard
from ingest.errors import RecordRefused
from ingest.notice_kinds import NOTICE_KINDS, PUT_OFF_H, PUT_OFF_HURTING_H
from ingest.parts import PART_WORDS, QUANTITIES, StartAnswer, position_of
from ingest.production_bodies import PRODUCTION_BODIES
from ingest.record_values import Body, Instant, Name, Text, as_tuple
from ingest.yard_faults import MISSING, KeyPath, ended, from_pydantic, shown, suggestion

#: Longest shift that is believed; longer is a slip in a date. [h]
LONGEST_SHIFT_H = 24.0

#: How far ahead of its entry something that was done may lie: a clock that is off by a zone. [h]
FUTURE_ALLOWED_H = 14.0


#: A photo's name: the SHA-256 of its bytes and its kind; empty: none was taken.
PHOTO_NAME = r"^([0-9a-f]{64}\.(jpg|png|webp))?$"


def _part_kind(value: str) -> str:
    if value not in PART_WORDS:
        raise ValueError(f"there is no such kind of part{suggestion(value, PART_WORDS)}")
    return value


def _notice_kind(value: str) -> str:
    if value not in NOTICE_KINDS:
        raise ValueError(f"there is no such kind of notice{suggestion(value, NOTICE_KINDS)}")
    return value


Tag = Annotated[
    str, StringConstraints(strip_whitespace=True, max_length=200, pattern=r"^[^\n\r]*$")
]
Position = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=20, pattern=r"^[^\n\r]*$"),
]
PhotoName = Annotated[str, StringConstraints(pattern=PHOTO_NAME)]
PartKind = Annotated[Name, AfterValidator(_part_kind)]
Digest = Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")]
NoticeKindName = Annotated[Name, AfterValidator(_notice_kind)]


class Crew(Body):
    """People who work together: ``crew`` is the name, ``size`` how many."""

    crew: Name
    size: int = Field(ge=1, le=100)


class Shift(Body):
    """A crew at work on a job with some pots, from ``from_at`` up to but without ``to_at``.

    ``people`` is how many of them were there; ``None``: as many as the crew has.
    """

    shift: Name
    crew: Name
    job: Name
    pots: Annotated[tuple[Name, ...], BeforeValidator(as_tuple)] = Field(min_length=1)
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


def _with_position(values: object) -> object:
    """The position written out: the kind's usual one where none was typed."""
    if not isinstance(values, dict):
        return values
    return {
        **values,
        "position": position_of(str(values.get("part", "")), values.get("position")),
    }


class PartFitted(Body):
    """A part put on a pot: ``tag`` is what is stamped or painted on it.

    A tag names one part for good: fitted elsewhere, the part has moved there, with its hours.
    ``position`` tells several of a kind on a pot apart.
    """

    pot: Name
    part: PartKind
    position: Position
    at: Instant
    tag: Tag = ""
    note: Text = ""

    _position = model_validator(mode="before")(_with_position)


class PartRemoved(Body):
    """A part taken off a pot, and why: ``worn``, ``failed``, ``good`` (still good), ``other``."""

    pot: Name
    part: PartKind
    position: Position
    at: Instant
    because: Literal["worn", "failed", "good", "other"]
    tag: Tag = ""
    note: Text = ""

    _position = model_validator(mode="before")(_with_position)


class Check(Body):
    """A check done, with its result and what was measured.

    Parameters
    ----------
    rule : str
        Name of the one rule that it was done for; empty: all of the part's checks.
    result : str
        ``good`` begins the check's count anew; ``replaced`` also begins another part's life;
        ``worn`` and ``failed`` begin nothing.
    quantity, value, unit : str, float, str
        What was measured, a key of :data:`ingest.parts.QUANTITIES`, and how much.
    measurement : str
        The same in words; for what is judged, one of the quantity's choices.
    new_tag : str
        Of a part replaced: what is on the one that is there now.
    photo : str
        Name of a file that :mod:`ingest.photos` keeps.
    """

    pot: Name
    part: PartKind
    position: Position
    at: Instant
    rule: Text = ""
    result: Literal["good", "worn", "replaced", "failed"]
    quantity: Text = ""
    value: float | None = Field(None, ge=-1e6, le=1e9)
    unit: Text = ""
    measurement: Text = ""
    new_tag: Tag = ""
    photo: PhotoName = ""
    note: Text = ""

    _position = model_validator(mode="before")(_with_position)

    @model_validator(mode="after")
    def _measured(self) -> Check:
        if self.new_tag and self.result != "replaced":
            raise ValueError("new_tag goes with the result replaced")
        if not self.quantity:
            if self.value is not None or self.unit:
                raise ValueError(f"expected quantity, one of {', '.join(QUANTITIES)}")
            return self
        known = QUANTITIES.get(self.quantity)
        if known is None:
            words = suggestion(self.quantity, QUANTITIES)
            raise ValueError(f"there is no such quantity{words}")
        if known.units and (self.value is None or self.unit not in known.units):
            raise ValueError(f"expected {known.words} as value and unit ({', '.join(known.units)})")
        if not known.units and (self.value is not None or self.unit):
            raise ValueError(f"{known.words} is told in words, as measurement")
        if known.choices and self.measurement not in known.choices:
            raise ValueError(f"expected measurement to be one of {', '.join(known.choices)}")
        return self


class ShiftStart(Body):
    """What was looked at before a pot was blasted with; :data:`ingest.parts.START_ITEMS`."""

    pot: Name
    at: Instant
    shift: Text = ""
    plate_relief: StartAnswer = "not_done"
    screen_lid: StartAnswer = "not_done"
    whip_checks: StartAnswer = "not_done"
    drain: StartAnswer = "not_done"
    blotter: StartAnswer = "not_done"
    deadman: StartAnswer = "not_done"
    photo: PhotoName = ""
    note: Text = ""


class NoticeSeen(Body):
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


class YardChange(Body):
    """Somebody changed the yard file on a page; ``before`` and ``after`` are its SHA-256.

    ``kept`` names the older file in the data folder, ``change`` is what became other, by line.
    """

    what: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]
    before: Digest
    after: Digest
    kept: Text
    change: Annotated[str, StringConstraints(max_length=200_000)] = ""
    at: Instant


#: Kind of record -> its body.
BODIES: dict[str, type[Body]] = {
    "shift": Shift,
    "crew": Crew,
    "part_fitted": PartFitted,
    "part_removed": PartRemoved,
    "check": Check,
    "shift_start": ShiftStart,
    "notice_seen": NoticeSeen,
    "notice_put_off": NoticePutOff,
    "yard_change": YardChange,
    **PRODUCTION_BODIES,
}

#: Kind of record -> the key that names it, where others refer to it by name.
KEYS = {"shift": "shift", "crew": "crew", "job": "job", "abrasive_kind": "abrasive"}

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
    named_pots = values.get("pots") or ([values["pot"]] if values.get("pot") else [])
    for pot in named_pots:
        if pot not in yard.pot_names:
            raise RecordRefused(
                ended(
                    f'The {words_of(kind)} was not taken: there is no pot "{pot}"'
                    f"{suggestion(pot, yard.pot_names)}"
                ),
                "Pots are named in the yard file.",
            )
    if rule := values.get("rule"):
        rules = [rule.name for rule in yard.effective_rules() if rule.part == values["part"]]
        if rule not in rules:
            raise RecordRefused(
                ended(
                    f'The {words_of(kind)} was not taken: there is no rule "{rule}" for this part'
                    f"{suggestion(rule, rules)}"
                ),
                f"It has {', '.join(rules)}." if rules else "Leave the rule out.",
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
        "part_removed": "part taken off",
        "shift_start": "start of a shift",
        "abrasive": "abrasive tipped",
        "area": "area done",
        "abrasive_kind": "kind of abrasive",
        "abrasive_move": "abrasive moved",
        "stop_reason": "reason for a stop",
        "job_change": "change of job",
        "notice_seen": "acknowledgement",
        "notice_put_off": "putting off",
        "yard_change": "change of the yard file",
    }.get(kind, kind)


def _faults(error: ValidationError, model: type[BaseModel]) -> str:
    keys: dict[KeyPath, tuple[str, ...]] = {(): tuple(model.model_fields)}
    sentences = []
    for fault in from_pydantic(error.errors(include_url=False), keys):
        name = ".".join(str(step) for step in fault.path)
        value = "" if fault.value is MISSING else f" = {shown(fault.value)}"
        sentences.append(f"{name}{value}: {fault.expected}" if name else fault.expected)
    return "; ".join(sentences)
