"""The open data dictionary: every column of the exports, with its unit and what it means.

One quantity has one name wherever it stands, so a column is described once. A test holds every
exported column against this table, and ``analytics/DATA_DICTIONARY.md`` is written from it.
"""

from __future__ import annotations

from typing import NamedTuple


class Column(NamedTuple):
    """A column of the exports.

    Parameters
    ----------
    unit : str
        SI, ``UTC`` for instants, ``money`` for the site's currency; empty for text and counts.
    meaning : str
        What it is, and how it comes about.
    """

    unit: str
    meaning: str


#: Exported table -> what a row of it is.
TABLES: dict[str, str] = {
    "shifts": "A part of a shift: one pot on one job. A shift on one job is one row a pot.",
    "cycles": "One dead-man opening of a pot.",
    "areas": "Area done, as entered.",
    "abrasive": "Abrasive that came, was tipped, went back or away, as entered.",
    "stock": "Stock and waste of a kind of abrasive, at the end of the export.",
    "checks": "A check done on a part, as entered.",
    "time_use": "A part of a pot's time in a shift; the parts of a shift add up to its length.",
    "stops": "A stretch in which nobody blasted with a pot, long enough to want a reason.",
}

#: Column -> unit and meaning.
COLUMNS: dict[str, Column] = {
    # who, where, when
    "shift": Column("", "Name of the shift; empty: not named."),
    "pot": Column("", "Name of the pot."),
    "part": Column("", "In shifts: number of the part within the shift and pot, from 0. In checks: "
                   "kind of part. In time_use: what the time was used for."),
    "crew": Column("", "Name of the crew."),
    "job": Column("", "Name of the job."),
    "item": Column("", "What the job blasts."),
    "from_at": Column("UTC", "Begin, included."),
    "to_at": Column("UTC", "End, not included."),
    "at": Column("UTC", "When it was done, as entered."),
    "recorded_at": Column("UTC", "When it was entered."),
    "by": Column("", "Who entered it."),
    "note": Column("", "What was noted."),
    "people": Column("", "People of the crew on this pot; a crew on two pots has half on each."),
    "crew_size": Column("", "People in the whole crew."),
    # the steel
    "rust_grade": Column("", "Rust grade, ISO 8501-1: A to D; coated: old paint."),
    "prep_grade": Column("", "Preparation grade asked for, ISO 8501-1; nothing says it was met."),
    "access": Column("", "How the steel was reached: ground, lift, scaffold, rope, confined."),
    "place": Column("", "indoor or outdoor."),
    "planned_m2": Column("m2", "Area that the job was expected to have."),
    "area_m2": Column("m2", "Area brought to grade, as entered; in shifts without what was done "
                      "over again. Empty: nobody entered any."),
    "reblast_m2": Column("m2", "Area done over again; it is in no rate."),
    "reblast": Column("", "Done over again: it had been counted before."),
    # time
    "elapsed_s": Column("s", "Length of the stretch, as booked."),
    "blast_s": Column("s", "Blast-on time: dead-man open and the pot pressurised, the middle that "
                      "the data support."),
    "blast_low_s": Column("s", "The same with missing data counted as off."),
    "blast_high_s": Column("s", "The same with missing data counted as on."),
    "paid_s": Column("s", "Paid time of its people together: people times elapsed_s."),
    "no_data_s": Column("s", "Time without readings."),
    "cycles": Column("", "Pinch cycles: closings of the wedge."),
    "use_s": Column("s", "Time of this use."),
    "use_low_s": Column("s", "At least this: silence counted as something else."),
    "use_high_s": Column("s", "At most this: silence counted as this."),
    "element": Column("", "Time element of ISO 22400-2 that the use falls under (our reading): APT "
                      "production, AUST set-up, ADET delay, ADOT down, APMT preventive "
                      "maintenance, PDOT planned down; empty: not heard."),
    "idle_s": Column("s", "Of the stop, the time that was heard."),
    "reason": Column("", "Why it stopped: entered, or found from readings; empty: unexplained."),
    "how": Column("", "entered or found; empty: unexplained."),
    "offered": Column("", "A guess that pages offer to be tapped; it counts nowhere."),
    # pressures, air
    "bore_m": Column("m", "Bore of the nozzle, as measured since it was fitted, else as in the "
                     "yard file."),
    "nozzle_pa": Column("Pa", "Gauge pressure at the nozzle: medians of cycles while steady, in "
                        "shifts weighted by blast time."),
    "air_theory_kg": Column("kg", "Air by the nozzle equation as if it carried no abrasive."),
    "air_kg": Column("kg", "The same times the yard file's while_blasting_factor (0.81: mean of "
                     "the trade's chart, metered while blasting)."),
    # abrasive
    "abrasive": Column("", "Kind of abrasive; in shifts the one tipped most."),
    "abrasive_kg": Column("kg", "Abrasive tipped less what was taken back out, as entered; shared "
                          "among a shift's parts by blast time."),
    "move": Column("", "tipped, delivered, returned (out of a pot), swept, counted, disposed."),
    "goes": Column("", "Of what was swept: waste or reuse."),
    "kg": Column("kg", "How much was moved or counted."),
    "bags": Column("", "Bags tipped."),
    "bag_kg": Column("kg", "What a bag holds."),
    "batch": Column("", "Batch, as the bags or the delivery say."),
    "waste_kg": Column("kg", "In shifts: waste left, abrasive_kg less what was swept for reuse "
                       "(rust and paint not in it). In stock: swept up and not taken away."),
    "delivered_kg": Column("kg", "Sum of deliveries."),
    "returned_kg": Column("kg", "Sum taken back out of pots."),
    "reused_kg": Column("kg", "Sum swept up and put back into stock."),
    "tipped_kg": Column("kg", "Sum tipped into pots."),
    "count_off_kg": Column("kg", "Counted more (or less, below zero) than entries say, summed."),
    "stock_kg": Column("kg", "delivered + returned + reused - tipped + count_off."),
    "counted_at": Column("UTC", "Last count."),
    "swept_waste_kg": Column("kg", "Sum swept up as waste."),
    "disposed_kg": Column("kg", "Sum of waste taken away."),
    "not_swept_kg": Column("kg", "Tipped, and neither back in stock nor swept: in pots, or lost."),
    "reorder_kg": Column("kg", "Order more at or under this."),
    "price_kg": Column("money", "Price of a kilogram."),
    "state": Column("", "ok; order: at or under the reorder line; count: less than nothing."),
    # fuel, money
    "fuel_l": Column("l", "Fuel burnt, as entered; shared among pots and parts by blast time."),
    "cost": Column("money", "Sum of the items that have a price; see lacking."),
    "wages_cost": Column("money", "Paid hours of people times the wage in force."),
    "abrasive_cost": Column("money", "abrasive_kg times the price of its kind."),
    "fuel_cost": Column("money", "Fuel times its price."),
    "waste_cost": Column("money", "waste_kg times the price of taking it away."),
    "lacking": Column("", "What was used but has no price, so that cost is not whole."),
    # cycles
    "pressed_at": Column("UTC", "First sample with the dead-man open."),
    "released_at": Column("UTC", "First sample with it shut."),
    "span_from_at": Column("UTC", "Last shut sample before."),
    "span_to_at": Column("UTC", "First shut sample after."),
    "began_by": Column("", "press; or gap: open when hearing began again."),
    "ended_by": Column("", "release, gap, or open: not ended yet."),
    "flicker": Column("", "Too short and not answered by the pot: kept, not counted."),
    "confirmed": Column("", "The pot's pressure answered; empty: no pot channel."),
    "samples": Column("", "Samples in it."),
    "deadman_s": Column("s", "Dead-man open."),
    "deadman_low_s": Column("s", "At least, by the sampling."),
    "deadman_high_s": Column("s", "At most, by the sampling."),
    "pinched_s": Column("s", "The wedge held the hose shut."),
    "press_delay_s": Column("s", "Dead-man to first rise of the pot."),
    "pressurise_s": Column("s", "Dead-man to 90 % of the manifold's pressure."),
    "exhaust_s": Column("s", "Release to 10 % of the pressure held."),
    "supply_pa": Column("Pa", "Manifold, gauge, median while steady."),
    "pot_pa": Column("Pa", "Pot, gauge, median while steady. Never a proof that it is vented."),
    "drop_supply_pot_pa": Column("Pa", "Manifold less pot."),
    "drop_pot_nozzle_pa": Column("Pa", "Pot less nozzle."),
    "peak_pot_pa": Column("Pa", "Highest pot reading, gauge."),
    # checks
    "position": Column("", "Which of several parts of a kind on a pot."),
    "rule": Column("", "The one rule that the check was done for; empty: all of the part's."),
    "result": Column("", "good, worn, replaced or failed. It proves nothing by itself."),
    "quantity": Column("", "What was measured."),
    "value": Column("see unit", "How much was measured."),
    "unit": Column("", "Unit of value."),
    "measurement": Column("", "The same in words."),
    "new_tag": Column("", "Of a part replaced: what is on the new one."),
    "photo": Column("", "Name of a photo kept in the data folder."),
}  # fmt: skip


def as_markdown() -> str:
    """The dictionary as the text of ``analytics/DATA_DICTIONARY.md``."""
    from analytics.exports import TABLE_COLUMNS

    lines = [
        "# Data dictionary of the exports",
        "",
        "Written by `gritbook dictionary --markdown`; change `analytics/dictionary.py`, not this.",
        "SI units; instants are UTC; money is in the site's currency (`currency` in the yard "
        "file) and never converted. Empty means not known, never nought.",
        "",
    ]
    for table, meaning in TABLES.items():
        lines += [f"## {table}", "", meaning, "", "| column | unit | meaning |", "|---|---|---|"]
        for name in TABLE_COLUMNS[table]:
            column = COLUMNS[name]
            lines.append(f"| `{name}` | {column.unit} | {column.meaning} |")
        lines.append("")
    return "\n".join(lines)
