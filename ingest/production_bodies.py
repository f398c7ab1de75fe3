"""Bodies of the records on production: jobs, area, abrasive, stops, money, and the signature.

Every key that came later has a default, so that what was stored before stays valid.
"""

from __future__ import annotations

import math
import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from ingest.record_values import Body, Instant, MaybeName, Name, Text, as_tuple
from ingest.stop_reasons import STOP_REASONS
from ingest.yard_faults import suggestion

_SURFACES = {"a": "A", "b": "B", "c": "C", "d": "D", "coated": "coated", "": ""}
_PREPARATIONS = {"": "", "1": "Sa 1", "2": "Sa 2", "2.5": "Sa 2½", "21/2": "Sa 2½", "2½": "Sa 2½",
                 "3": "Sa 3"}  # fmt: skip

#: How the steel is reached -> the words for it.
ACCESS_WORDS: dict[str, str] = {
    "ground": "from the ground",
    "lift": "from a lift or platform",
    "scaffold": "from a scaffold",
    "rope": "on ropes",
    "confined": "in a confined space",
}
#: What happened to abrasive besides being tipped -> the words for it.
MOVE_WORDS: dict[str, str] = {
    "delivered": "delivered",
    "returned": "taken back out of a pot",
    "swept": "swept up after blasting",
    "counted": "stock counted",
    "disposed": "waste taken away",
}
#: What has a price -> the words for it, without the currency.
PRICE_WORDS: dict[str, str] = {
    "wage_h": "a paid hour of one person",
    "fuel_l": "a litre of fuel",
    "waste_kg": "a kilogram of waste taken away",
}


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


def _reason(value: str) -> str:
    if value not in STOP_REASONS:
        raise ValueError(f"there is no such reason{suggestion(value, STOP_REASONS)}")
    return value


class Job(Body):
    """Something to be blasted.

    Parameters
    ----------
    job, item : str
        Its name, and what is blasted.
    rust_grade, prep_grade : str
        Grades of ISO 8501-1: ``A`` to ``D``, or ``coated`` where there is old paint; ``Sa 1`` to
        ``Sa 3``.
    planned_m2 : float or None
        Area expected. [m2]
    profile : str
        Surface profile grade of the comparators of ISO 8503-1: ``fine``, ``medium``, ``coarse``.
    profile_low_um, profile_high_um : float or None
        Profile asked for, between these. [um]
    coating, coating_um : str, float or None
        What is removed, and how thick it is. [um]
    access : str
        How the steel is reached, a key of :data:`ACCESS_WORDS`.
    place : str
        ``indoor`` or ``outdoor``.
    """

    job: Name
    item: Text = ""
    rust_grade: Annotated[str, BeforeValidator(rust_grade_as_kept)] = ""
    prep_grade: Annotated[str, BeforeValidator(prep_grade_as_kept)] = ""
    planned_m2: float | None = Field(None, gt=0, le=1_000_000)
    profile: Literal["", "fine", "medium", "coarse"] = ""
    profile_low_um: float | None = Field(None, gt=0, le=500)
    profile_high_um: float | None = Field(None, gt=0, le=500)
    coating: Text = ""
    coating_um: float | None = Field(None, gt=0, le=50_000)
    access: Literal["", "ground", "lift", "scaffold", "rope", "confined"] = ""
    place: Literal["", "indoor", "outdoor"] = ""

    @model_validator(mode="after")
    def _profile(self) -> Job:
        low, high = self.profile_low_um, self.profile_high_um
        if low is not None and high is not None and low > high:
            raise ValueError("profile_low_um is above profile_high_um; turn them round")
        return self


class Piece(Body):
    """Pieces of one kind that were blasted: how many, and the area of each.

    Parameters
    ----------
    piece : str
        What it is, such as ``IPE 200`` or ``plate 6 x 2 m``.
    count : int
        How many.
    each_m2 : float
        Area of one, as computed from its dimensions. [m2]
    length_m : float or None
        Length of one, where it is a section or a pipe. [m]
    """

    piece: Name
    count: int = Field(ge=1, le=100_000)
    each_m2: float = Field(gt=0, le=10_000)
    length_m: float | None = Field(None, gt=0, le=1_000)


class Area(Body):
    """Steel brought to the grade asked for, of a job, in a shift, with a pot.

    Parameters
    ----------
    area_m2 : float
        The area, whole; left out where it is counted from ``pieces``. [m2]
    pieces : tuple of Piece
        What it was counted from; empty: it was entered whole.
    reblast : bool
        It had been done and counted before and had to be done again. Counted apart: no rate
        counts its area a second time.
    """

    job: Name
    shift: Name
    pot: Name
    area_m2: float = Field(gt=0, le=10_000)
    at: Instant
    note: Text = ""
    pieces: Annotated[tuple[Piece, ...], BeforeValidator(as_tuple)] = ()
    reblast: bool = False

    @model_validator(mode="before")
    @classmethod
    def _counted(cls, values: object) -> object:
        if not isinstance(values, dict) or not values.get("pieces") or values.get("area_m2"):
            return values
        try:
            counted = math.fsum(p["count"] * p["each_m2"] for p in values["pieces"])
        except (TypeError, KeyError):
            return values  # what is wrong with a piece is told piece by piece
        return {**values, "area_m2": counted}

    @model_validator(mode="after")
    def _adds_up(self) -> Area:
        if self.pieces:
            counted = math.fsum(p.count * p.each_m2 for p in self.pieces)
            if not math.isclose(counted, self.area_m2, rel_tol=1e-6):
                raise ValueError(
                    f"area_m2 is {self.area_m2:g}, but the pieces add up to {counted:g}; leave "
                    "one of them out"
                )
        return self


class Abrasive(Body):
    """Bags tipped into a pot: how many, of how much each [kg], of what, from which batch."""

    pot: Name
    at: Instant
    bags: float = Field(gt=0, le=1_000)
    bag_kg: float = Field(25.0, gt=0, le=2_000)
    abrasive: Text = ""
    shift: Text = ""
    batch: MaybeName = ""


class AbrasiveKind(Body):
    """A kind of abrasive that the yard uses.

    Parameters
    ----------
    abrasive : str
        Its name, as bags tipped name it.
    bulk_kg_m3, particle_kg_m3 : float or None
        Density as it lies, and of the grains. [kg/m3]
    price_kg : float or None
        What a kilogram costs, in the site's currency.
    bag_kg : float or None
        What a bag holds. [kg]
    recycled : bool
        It was used before and cleaned.
    reorder_kg : float or None
        Order more once the stock is at or under this. [kg]
    """

    abrasive: Name
    bulk_kg_m3: float | None = Field(None, ge=500, le=8_000)
    particle_kg_m3: float | None = Field(None, ge=1_000, le=9_000)
    price_kg: float | None = Field(None, ge=0, le=1_000)
    bag_kg: float | None = Field(None, gt=0, le=2_000)
    recycled: bool = False
    reorder_kg: float | None = Field(None, ge=0, le=1e7)
    note: Text = ""

    @model_validator(mode="after")
    def _densities(self) -> AbrasiveKind:
        bulk, particle = self.bulk_kg_m3, self.particle_kg_m3
        if bulk is not None and particle is not None and bulk >= particle:
            raise ValueError("bulk_kg_m3 is as it lies, with air between: below particle_kg_m3")
        return self


class AbrasiveMove(Body):
    """Abrasive that came, went or was counted, but for what was tipped.

    Parameters
    ----------
    move : str
        ``delivered``: it came into stock. ``returned``: taken back out of a pot into stock.
        ``swept``: picked up after blasting, and it ``goes`` to ``waste`` or to ``reuse`` (into
        stock under this name). ``counted``: this much is in stock now. ``disposed``: so much of
        the waste was taken away.
    kg : float
        How much. [kg]
    batch : str
        What the delivery or the bags say.
    pot, shift : str
        Where it happened, as far as it matters; ``returned`` needs the pot.
    """

    abrasive: Name
    move: Literal["delivered", "returned", "swept", "counted", "disposed"]
    kg: float = Field(ge=0, le=1e7)
    at: Instant
    goes: Literal["", "waste", "reuse"] = ""
    pot: MaybeName = ""
    shift: MaybeName = ""
    batch: MaybeName = ""
    note: Text = ""

    @model_validator(mode="after")
    def _whole(self) -> AbrasiveMove:
        if self.kg == 0 and self.move != "counted":
            raise ValueError("kg: expected more than nothing; only a count can be zero")
        if self.move == "swept" and not self.goes:
            raise ValueError("goes: expected waste or reuse for what was swept up")
        if self.move != "swept" and self.goes:
            raise ValueError("goes: is for what was swept up only")
        if self.move == "returned" and not self.pot:
            raise ValueError("pot: expected the pot that it was taken out of")
        return self


class StopReason(Body):
    """Why nobody blasted with a pot from ``from_at`` up to ``to_at``: ``stop_for`` is a key of
    :data:`ingest.stop_reasons.STOP_REASONS`."""

    pot: Name
    from_at: Instant
    to_at: Instant
    stop_for: Annotated[Name, AfterValidator(_reason)]
    note: Text = ""

    @model_validator(mode="after")
    def _believable(self) -> StopReason:
        hours = (self.to_at - self.from_at).total_seconds() / 3600
        if not 0 < hours <= 24:
            raise ValueError("a stop ends after it begins, and within a day")
        return self


class JobChange(Body):
    """From ``from_at`` on a shift worked on another job; the shift itself stays one shift."""

    shift: Name
    job: Name
    from_at: Instant
    note: Text = ""


class Fuel(Body):
    """Fuel burnt in a shift. [l]"""

    shift: Name
    litres: float = Field(gt=0, le=20_000)
    at: Instant
    note: Text = ""


class Price(Body):
    """What something costs from an instant on, in the site's currency.

    ``price_of`` is a key of :data:`PRICE_WORDS`; a wage may be of one ``crew`` only.
    """

    price_of: Literal["wage_h", "fuel_l", "waste_kg"]
    price: float = Field(ge=0, le=100_000)
    from_at: Instant
    crew: MaybeName = ""
    note: Text = ""

    @model_validator(mode="after")
    def _of_a_crew(self) -> Price:
        if self.crew and self.price_of != "wage_h":
            raise ValueError("crew: only a wage can be of one crew")
        return self


class Signature(Body):
    """A supervisor signed a shift's sheet, which showed these figures then.

    Parameters
    ----------
    shift : str
        The shift; all of its pots.
    blast_s, area_m2, abrasive_kg : float or None
        What the sheet said at signing. [s, m2, kg]
    """

    shift: Name
    at: Instant
    blast_s: float | None = Field(None, ge=0)
    area_m2: float | None = Field(None, ge=0)
    abrasive_kg: float | None = None
    note: Text = ""


#: Kinds of record on production that belong to a shift: once it is signed, they need a reason.
OF_A_SHIFT = ("area", "abrasive", "abrasive_move", "stop_reason", "job_change", "fuel")

#: Kind of record -> its body.
PRODUCTION_BODIES: dict[str, type[Body]] = {
    "job": Job,
    "area": Area,
    "abrasive": Abrasive,
    "abrasive_kind": AbrasiveKind,
    "abrasive_move": AbrasiveMove,
    "stop_reason": StopReason,
    "job_change": JobChange,
    "fuel": Fuel,
    "price": Price,
    "signature": Signature,
}
