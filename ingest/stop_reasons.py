"""Why nobody blasted: the reasons for a stop that people choose from, and what they count as.

The last column is the time element of ISO 22400-2:2014 that a reason falls under (names of the
elements from public companion specifications, which reason falls where is our reading): set-up
(AUST), delay (ADET), down time (ADOT), planned down time (PDOT), preventive maintenance (APMT).
"""

from __future__ import annotations

from typing import NamedTuple


class StopReason(NamedTuple):
    """A reason for a stop.

    Parameters
    ----------
    words : str
        What people call it.
    element : str
        Time element of ISO 22400-2.
    """

    words: str
    element: str


#: Reason -> its words and element, in the order in which pages offer them.
STOP_REASONS: dict[str, StopReason] = {
    "refill": StopReason("refilling the pot", "ADET"),
    "air": StopReason("waiting for air", "ADET"),
    "move": StopReason("moving, rigging", "AUST"),
    "set_up": StopReason("set-up, masking, clearing up", "AUST"),
    "weather": StopReason("weather, dew, rain", "ADOT"),
    "break": StopReason("break", "PDOT"),
    "inspection": StopReason("inspection, waiting for release", "ADET"),
    "breakdown": StopReason("breakdown, repair", "ADOT"),
    "upkeep": StopReason("planned upkeep", "APMT"),
    "other": StopReason("something else", "ADET"),
}
