"""A shift's sheet in words, the same for the command and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from analytics.hour_review import ELEMENT_WORDS, elements, indicators
from analytics.time_use import BLASTING, NO_DATA, PARTS, PAUSE, PRESSURISING, UNEXPLAINED
from dashboard import key_words, time_words, units, words
from ingest.stop_reasons import STOP_REASONS

if TYPE_CHECKING:
    from analytics.nozzle_kept import OwnEffect
    from analytics.sheets import PotSheet, Sheet
    from ingest.config import Yard

#: Part of a shift's time -> the words for it.
PART_WORDS: dict[str, str] = {
    BLASTING: "blasting",
    PRESSURISING: "pot filling with air",
    **{reason: known.words for reason, known in STOP_REASONS.items()},
    PAUSE: "short pauses",
    UNEXPLAINED: "stops without a reason",
    NO_DATA: "no data",
}


#: From here on the rule of thumb holds: 70 psi, as `analytics.nozzle_kept` has it. [Pa]
RULE_FROM_PA = 70.0 * units.PSI_PA


class Said(NamedTuple):
    """A figure in words: what it is, its number and unit, its interval, and what more to say."""

    label: str
    value: str
    unit: str = ""
    more: str = ""
    between: str = ""

    @property
    def said(self) -> str:
        """Number, unit and the rest in one line."""
        text = f"{self.value} {self.unit}".strip()
        rest = "; ".join(told for told in (self.between, self.more) if told)
        return f"{text} ({rest})" if rest else text


def part(name: str) -> str:
    """A part of a shift's time in people's words."""
    return PART_WORDS[name]


def signed(sheet: Sheet, zone: ZoneInfo) -> str:
    """Who signed the sheet, and when."""
    if sheet.signed is None:
        return "Not signed yet." if sheet.over else "Under way; it can be signed once it has ended."
    at = time_words.day_and_time(sheet.signed.at, zone)
    note = f" {sheet.signed.note}" if sheet.signed.note else ""
    return f"Signed by {sheet.signed.by}, {at}.{note}"


def changes(sheet: Sheet, zone: ZoneInfo) -> list[str]:
    """What was changed after signing, and which signed figures read otherwise now."""
    lines = []
    if len(sheet.signatures) > 1:
        for row in sheet.signatures:
            did = {"withdrawn": "Signature withdrawn"}.get(row["did"], words.sentence(row["did"]))
            why = f": {row['reason']}" if row["reason"] else ""
            lines.append(f"{did} by {row['by']}, {time_words.day_and_time(row['at'], zone)}{why}.")
    if sheet.signed is None:
        return lines
    for row in sheet.signed.changes:
        did = "withdrawn" if row["withdrawn"] else "corrected" if row["supersedes"] else "entered"
        what = key_words.KIND_WORDS.get(row["kind"], row["kind"])
        why = f": {row['reason']}" if row["reason"] else ""
        at = time_words.day_and_time(row["recorded_at"], zone)
        lines.append(
            f"Changed after signing: {what.lower()} {did} by {row['recorded_by']}, {at}{why}."
        )
    for label, then, now, quantity in (
        ("Blast-on", _h(sheet.signed.blast_s), _h(sheet.total("blast_s")), ""),
        ("Area", sheet.signed.area_m2, sheet.total("area_m2"), "area"),
        ("Abrasive", sheet.signed.abrasive_kg, sheet.total("abrasive_kg"), "mass"),
    ):
        # Whether it changed does not depend on who looks, so it is asked of the metric figure.
        if then is None or words.amount(then) == words.amount(now):
            continue
        if quantity:
            before, after = words.measure(quantity, then), words.measure(quantity, now)
            unit = units.unit(quantity)
        else:
            before, after, unit = words.amount(then), words.amount(now), "h"
        lines.append(f"{label} was {before} when signed, and is {after} {unit} now.")
    return lines


def changed_since(sheet: Sheet) -> bool:
    """Whether what stands on the sheet is no longer what was signed."""
    signed = sheet.signed
    if signed is None:
        return False
    pairs = (
        (signed.blast_s, sheet.total("blast_s")), (signed.area_m2, sheet.total("area_m2")),
        (signed.abrasive_kg, sheet.total("abrasive_kg")),
    )  # fmt: skip
    return bool(signed.changes) or any(
        then is not None and words.amount(then) != words.amount(now) for then, now in pairs
    )


def _h(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 3600.0


def figures(sheet: Sheet, yard: Yard) -> list[Said]:
    """The sheet's own figures: hours, area, rates, abrasive, air, fuel, money."""
    money = yard.site.currency or "money"
    costs = sheet.costs
    low, high, blast = (sheet.total(f"blast_{name}s") for name in ("low_", "high_", ""))
    paid = sheet.total("paid_s")
    said = [
        Said("Blast-on", words.hours(blast), "h", words.between_hours(low, high)),
        Said("Paid", words.hours(paid, 1), "h", "people times booked time") if paid is not None
        else Said("Paid", words.NONE, "", "nobody says how many people"),
        Said(
            "Area", words.measure("area", sheet.total("area_m2")), units.unit("area"),
            _area_more(sheet),
        ),
        Said("Pace", words.measure("pace", sheet.ratio("area_m2", "blast_s")),
             f"{units.unit('area')}/blast-on h",
             f"{words.measure('pace', sheet.ratio('area_m2', 'paid_s'))} a paid hour"),
        Said("Abrasive", words.measure("per_area", sheet.ratio("abrasive_kg", "area_m2")),
             units.unit("per_area"),
             f"{words.with_unit('mass', sheet.total('abrasive_kg'))} tipped, less what was taken "
             "back"),
        Said("Waste left", words.measure("mass", sheet.total("waste_kg")), units.unit("mass"),
             "abrasive only; rust and paint not in it"),
        Said("Air", words.measure("free_air_volume", _free_air_m3(sheet.total("air_kg"))),
             f"{units.unit('free_air_volume')} free air",
             "theory without abrasive "
             f"{words.measure('free_air_volume', _free_air_m3(sheet.total('air_theory_kg')))}, "
             f"times {yard.review.while_blasting_factor:g} as metered while blasting; "
             f"{units.free_air()}"),
    ]  # fmt: skip
    if (fuel := sheet.total("fuel_l")) is not None:
        said.append(Said("Fuel", words.measure("fuel", fuel), units.unit("fuel")))
    if costs.total is not None:
        items = ", ".join(f"{name} {words.amount(value)}" for name, value in costs.items.items())
        lacking = f"; no price for {', '.join(costs.lacking)}" if costs.lacking else ""
        said.append(Said("Cost", words.amount(costs.total), money, f"{items}{lacking}"))
        per_m2 = costs.per_m2(sheet.total("area_m2"))
        if per_m2 is not None:
            more = "not whole: something has no price" if costs.lacking else ""
            per_area = per_m2 * units.factor("area")
            unit = f"{money}/{units.unit('area')}"
            said.append(Said("Cost per area", words.amount(per_area), unit, more))
    return said


def _area_more(sheet: Sheet) -> str:
    again = sheet.total("reblast_m2") or 0.0
    told = [f"{words.with_unit('area', again)} done over again, in no rate"] if again else []
    if sheet.total("area_m2") is None:
        told.append("none entered yet")
    return "; ".join(told)


def _free_air_m3(kg: float | None) -> float | None:
    """Air as cubic metres of dry free air at 20 °C and 101.325 kPa."""
    from analytics.air_states import DRY_FREE_AIR

    return None if kg is None else kg / DRY_FREE_AIR.density_kg_m3


def time_rows(pot: PotSheet) -> list[Said]:
    """Where a pot's time went; parts that took none are left out, the measured ones never."""
    use = pot.use
    whole = max(use.elapsed_us, 1)
    rows = []
    for name in PARTS:
        us = use.parts[name]
        if us == 0 and name not in (BLASTING, NO_DATA, UNEXPLAINED):
            continue
        low, high = use.between_s(name)
        rows.append(
            Said(
                words.sentence(PART_WORDS[name]), words.hours(us / 1e6), "h",
                f"{words.percent(us / whole)}" + (
                    f", {between}" if (between := words.between_hours(low, high)) else ""
                ),
            )
        )  # fmt: skip
    return rows


def iso_lines(pot: PotSheet) -> list[str]:
    """Indicators of ISO 22400-2, each as its two terms."""
    times = elements(pot.use)
    lines = []
    for name, (above, below) in indicators(times).items():
        if below > 0.0:
            lines.append(
                f"{words.sentence(name)} {words.percent(above / below)}: {words.hours(above)} of "
                f"{words.hours(below)} h (ISO 22400-2)"
            )
    return lines


def element_words(element: str) -> str:
    """A time element of ISO 22400-2 in words."""
    return ELEMENT_WORDS.get(element, "not heard")


def nozzle_figures(
    pot: PotSheet, effect: OwnEffect, yard: Yard, area_m2: float | None
) -> list[Said]:
    """How nozzle pressure was kept, and what the shortfall cost, by the rule and by the yard.

    Parameters
    ----------
    pot : PotSheet
        The pot.
    effect : OwnEffect
        What a psi less costs by the yard's own shifts.
    yard : Yard
        For the target.
    area_m2 : float or None
        What the pot did in the shift, for telling a share lost as area. [m2]
    """
    kept = pot.nozzle
    target = words.with_unit("pressure", yard.review.nozzle_target_pa)
    if kept.mean_pa is None or kept.under_share is None:
        return [Said("Nozzle pressure", words.NONE, "", "not measured")]
    said = [
        Said(
            "Nozzle pressure", words.pressure(kept.mean_pa), units.unit("pressure"),
            f"target {target}: under it for {words.percent(kept.under_share)} of the blast time, "
            f"{words.with_unit('drop', kept.short_pa)} short in the mean",
        )
    ]  # fmt: skip
    rule = "Lost by the rule of thumb"
    if kept.rule_lost is None:
        said.append(
            Said(
                rule, words.NONE, "",
                f"{words.percent(kept.refused_share)} of the blast time was under "
                f"{words.with_unit('pressure', RULE_FROM_PA)}, where it is not to be used",
            )
        )  # fmt: skip
    else:
        basis = f"{yard.review.loss_per_psi * 100:g} % a psi under 100 psi, common practice"
        said.append(
            Said(rule, words.percent(kept.rule_lost), "",
                 f"{basis}{_as_area(kept.rule_lost, area_m2)}")
        )  # fmt: skip
    own = "Lost by this yard's shifts"
    lost = effect.lost(kept.short_pa)
    if lost is None:
        why = {
            "few": f"{words.counted(effect.shifts, 'shift says', 'shifts say')} too little",
            "alike": "pressures were too much alike to tell",
        }.get(effect.why_not, "it cannot be told")
        said.append(Said(own, words.NONE, "", why))
    else:
        shifts = words.counted(effect.shifts, "shift", "shifts")
        said.append(
            Said(
                own, _share(lost[0]), "",
                f"{shifts}, compared within the same job{_as_area(lost[0], area_m2)}",
                f"90 %: between {_share(lost[1])} and {_share(lost[2])}",
            )
        )  # fmt: skip
    return said


def _share(value: float) -> str:
    return words.signed_percent(value).lstrip("+")


def _as_area(lost: float, area_m2: float | None) -> str:
    """A share lost as area: what was done is what was left of it."""
    if area_m2 is None or not 0.005 <= lost < 0.9:
        return ""
    return f"; about {words.with_unit('area', area_m2 * lost / (1.0 - lost))} less"


def hour_figures(pot: PotSheet, zone: ZoneInfo) -> list[Said]:
    """The best and the worst hour, and why."""
    if pot.hours is None:
        return [Said("Best and worst hour", words.NONE, "", "under two full hours were heard")]
    said = []
    for name, hour in zip(("Best", "Worst"), pot.hours, strict=True):
        most = hour.use.parts[hour.most] / 1e6
        nozzle = (
            ""
            if hour.nozzle_pa is None
            else f"nozzle {words.with_unit('pressure', hour.nozzle_pa)}; "
        )
        said.append(
            Said(
                f"{name} hour, from {time_words.clock(hour.from_at, zone)}",
                f"{hour.use.seconds(BLASTING) / 60:.0f}", "min blasting",
                f"{nozzle}most of the rest: {PART_WORDS[hour.most]}, {time_words.duration(most)}",
            )
        )  # fmt: skip
    return said


def stop_line(row: dict[str, Any], zone: ZoneInfo) -> str:
    """A stop in a line."""
    span = f"{time_words.clock(row['from_at'], zone)} to {time_words.clock(row['to_at'], zone)}"
    lasted = time_words.duration(row["idle_s"])
    if not row["reason"]:
        return f"{span}, {lasted}: no reason yet"
    how = "" if row["how"] == "entered" else " (found)"
    return f"{span}, {lasted}: {PART_WORDS[row['reason']]}{how}"
