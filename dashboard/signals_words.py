"""What the signals page and its commands call things, and what to do about each."""

from __future__ import annotations

from ingest.wire import reasons

#: What each cause is called; the keys are those of :data:`analytics.quality.CAUSES`.
CAUSE_WORDS = {
    "loop": "no measurement (broken loop, failure current)",
    "range": "not a pressure of this channel",
    "rate": "jumped away and back",
    "moving": "stuck while others moved",
    "certain": "at the end of its range: counted, with care",
}

#: The same -> what to do.
CAUSE_STEPS = {
    "loop": "Look at its cable, plug and supply voltage. 3.6 mA and less or 21 mA and more is how "
    "a transducer says that it is broken (NAMUR NE 43).",
    "range": "Look at range_pa and unit in the yard file, and whether the box sends another unit.",
    "rate": "Look for a loose plug, a bad earth or a shield at both ends; what jumps with the "
    "compressor's start comes from its wiring.",
    "moving": "Look at its isolating valve and port: a blocked port holds the pressure it had, "
    "and is no sign of a vented pot.",
    "certain": "Take a transducer of a wider range, or look whether range_pa is right.",
}

#: Question of a sign -> how the page asks it.
SIGN_WORDS = {
    "heard": "Heard now",
    "rate": "Rate as expected",
    "whole": "No pauses",
    "lost": "Nothing lost",
    "clock": "Clock right",
    "both": "Open and shut both seen",
    "unit": "Unit right",
    "moving": "Moves with the pressure",
    "counts": "Its readings count",
    "zero": "Zero at rest",
    "sent": "Sent at all",
    "order": "Pressures in order",
}

#: State of a sign -> the word for it, and how loud it is.
STATE_WORDS = {
    "right": ("Right", "plain"),
    "wrong": ("Look at it", "alarm"),
    "open": ("Not seen yet", "warn"),
}

_PACK = "Mend what the box sends: a SenML pack (RFC 8428), as ingest/README.md shows one."
_NAME = (
    "Let the box call its values <pot>/<channel>, the pot's name as in the yard file; base name "
    "and name are put together as they are."
)
_TIME = "Set the box's clock to UTC, or let it leave `bt` out: times then count from arrival."
_LINE = "Look at the line: both ends at one speed, shield and earth, and no other talker on it."
_FIELD = "Look at the field that the detail names: RFC 8428, section 4, says what it may be."

#: Reason in quarantine -> what to do; the keys are all of :mod:`ingest.wire.reasons`.
REASON_STEPS = {
    reasons.NOT_UTF8: _PACK,
    reasons.NOT_JSON: _PACK,
    reasons.NOT_CBOR: "Let the box send a whole CBOR array, or leave the content type out for "
    "JSON.",
    reasons.NOT_A_PACK: _PACK,
    reasons.TOO_LARGE: "Send smaller messages: one a second, with the samples of that second.",
    reasons.TOO_MANY_RECORDS: "Send fewer records a message: the samples of one second.",
    reasons.TOO_DEEP: _PACK,
    reasons.VERSION_UNKNOWN: "Leave `bver` out, or let it be 10: that is RFC 8428's.",
    reasons.CONTENT_TYPE_UNKNOWN: "Leave the content type out for JSON, or let it be "
    "application/senml+json or application/senml+cbor.",
    reasons.LINE_TOO_LONG: f"{_LINE} A line feed must end each pack.",
    reasons.CRC_WRONG: _LINE,
    reasons.CRC_MISSING: 'Let the box send the CRC-32 after each pack, or write crc = "optional".',
    reasons.NOT_A_RECORD: _PACK,
    reasons.FIELD_WRONG: _FIELD,
    reasons.FIELD_NOT_UNDERSTOOD: "Leave out fields whose name ends in _: they say that whoever "
    "does not know them must not read the pack.",
    reasons.BASE_UNUSABLE: "Mend the base field that the detail names; what follows rests on it.",
    reasons.NUMBER_OUT_OF_RANGE: "Leave out what could not be measured; send no infinite numbers.",
    reasons.NAME_NOT_ALLOWED: _NAME,
    reasons.NAME_NOT_POT_CHANNEL: _NAME,
    reasons.NO_VALUE: "Leave a record out whose value could not be measured.",
    reasons.SEVERAL_VALUES: "One value a record: v, vb or vs.",
    reasons.SUM_ONLY: "Send the value itself: a sum says nothing about an instant.",
    reasons.VALUE_WRONG_KIND: "Send pressures as numbers (v) and the dead-man as true or false "
    "(vb).",
    reasons.UNIT_MISSING: "Say the unit of each pressure: u or bu, Pa or mA.",
    reasons.UNIT_WRONG: "Use a unit that ingest/README.md names for this channel; there is no bar "
    "or psi in SenML.",
    reasons.TIME_OUT_OF_RANGE: _TIME,
    reasons.TIME_AHEAD: _TIME,
    reasons.POT_UNKNOWN: "Add a [[pot]] of this name to the yard file, or mend the name in the "
    "box; then try again.",
    reasons.POT_ELSEWHERE: "Look at `pots` of this line in the yard file; then try again.",
    reasons.POT_OF_OTHER_TOPIC: "Let topic and base name agree, or leave strict off in [mqtt]; "
    "another box may be sending under this one's name.",
    reasons.TIME_NOT_ITS_OWN: "Let the box send its own time: with several ingests on one broker, "
    "times counted from arrival would differ. Then try again.",
    reasons.TIME_LONG_AGO: f"{_TIME} Or mend earliest_at under [limits], then try again.",
    reasons.VALUE_CONFLICT: "Two different values came for one instant: two boxes under one name, "
    "or a clock set back. The first one is kept; the other stays here for good.",
    reasons.JOURNAL_DAMAGED: "The disk or a power failure damaged the journal here: look at the "
    "disk. The bytes stay here for good.",
}
