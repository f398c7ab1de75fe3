"""Why something could not become a reading: the fixed phrases that quarantine counts by."""

from __future__ import annotations

# The message as a whole
NOT_UTF8 = "not UTF-8"
NOT_JSON = "not JSON"
NOT_CBOR = "not CBOR"
NOT_A_PACK = "not a SenML pack"
TOO_LARGE = "message too large"
TOO_MANY_RECORDS = "too many records"
TOO_DEEP = "nested too deep"
VERSION_UNKNOWN = "SenML version not known"
CONTENT_TYPE_UNKNOWN = "content type not known"

# One line of a serial port
LINE_TOO_LONG = "line too long"
CRC_WRONG = "CRC does not match"
CRC_MISSING = "CRC missing"

# One record of a pack
NOT_A_RECORD = "not a SenML record"
FIELD_WRONG = "field of the wrong kind"
FIELD_NOT_UNDERSTOOD = "a field that must be understood is not known"
BASE_UNUSABLE = "an earlier base field was unusable"
NUMBER_OUT_OF_RANGE = "number out of range"
NAME_NOT_ALLOWED = "name not allowed"
NAME_NOT_POT_CHANNEL = "name is not pot/channel"
NO_VALUE = "no value"
SEVERAL_VALUES = "more than one value"
SUM_ONLY = "a sum without a value"
VALUE_WRONG_KIND = "value of the wrong kind"
UNIT_MISSING = "unit missing"
UNIT_WRONG = "unit not taken for this channel"
TIME_OUT_OF_RANGE = "time out of range"
TIME_AHEAD = "time more than a day ahead"

# What only the store can know
POT_UNKNOWN = "pot is not in the yard file"
POT_ELSEWHERE = "pot is not on this line"
POT_OF_OTHER_TOPIC = "pot is not the one of the topic"
TIME_LONG_AGO = "time too long ago"
TIME_NOT_ITS_OWN = "several ingests share, and the box gives no time of its own"
VALUE_CONFLICT = "another value for an instant already stored"
JOURNAL_DAMAGED = "journal damaged here"
