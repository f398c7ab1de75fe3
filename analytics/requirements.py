"""Which channels and what sampling each figure needs, and what it does without them.

One table, so that a page can say why a figure is missing.
"""

from __future__ import annotations

from typing import NamedTuple


class Requirement(NamedTuple):
    """What a figure needs.

    Parameters
    ----------
    figure : str
        The figure, in the words of the pages.
    channels : tuple of str
        Channels without which it is not made.
    helped_by : tuple of str
        Channels that make it better.
    rate_hz : float
        Samples a second from which it is worth having. [1/s]
    without : str
        What happens without them.
    """

    figure: str
    channels: tuple[str, ...]
    helped_by: tuple[str, ...]
    rate_hz: float
    without: str


REQUIREMENTS: tuple[Requirement, ...] = (
    Requirement("pinch cycles", ("deadman",), ("pot",), 5.0,
                "no cycles: pressure alone counts too many"),
    Requirement("dead-man hours", ("deadman",), (), 1.0, "no hours"),
    Requirement("blast hours", ("deadman",), ("pot", "supply"), 1.0,
                "without the pot's pressure they are the dead-man hours"),
    Requirement("time to pressurise", ("deadman", "pot", "supply"), (), 5.0, "left out"),
    Requirement("time to exhaust", ("deadman", "pot"), (), 5.0, "left out"),
    Requirement("drop manifold to pot", ("deadman", "supply", "pot"), (), 1.0, "left out"),
    Requirement("drop pot to nozzle", ("deadman", "pot", "nozzle"), (), 1.0, "left out"),
    Requirement("waiting for air", ("deadman", "supply"), (), 1.0,
                "known only where somebody says so"),
    Requirement("air through the nozzle", ("deadman", "nozzle"), ("pot",), 1.0,
                "left out; it needs the nozzle's bore as well"),
    Requirement("abrasive weighed by pressures", ("deadman", "supply", "pot"),
                ("nozzle", "air_temp"), 5.0, "bags entered are all there is"),
    Requirement("leak past pinch hose and pop-up seat", ("deadman", "supply", "pot"), (), 5.0,
                "a leak then shows only where it is large"),
    Requirement("exhaust conductance", ("deadman", "pot"), ("supply",), 5.0, "left out"),
    Requirement("growth of the nozzle, a choke part shut, abrasive's own loss",
                ("deadman", "supply", "pot", "nozzle"), (), 5.0,
                "nozzle, choke and metering valve are not watched"),
    Requirement("loss before the manifold, and what the compressor holds", ("deadman", "supply"),
                ("nozzle", "pot"), 1.0, "separator and compressor are not watched"),
    Requirement("a dead-man switch that is missed, told from a wedge that sticks",
                ("deadman", "pot", "nozzle"), (), 1.0, "both are named"),
    Requirement("abrasive by load cell", ("deadman", "pot_mass"), (), 0.1,
                "bags entered and the pressures are compared with each other only"),
    Requirement("dew point", ("air_temp", "humidity"), (), 1.0 / 600.0, "left out"),
    Requirement("steel over dew point", ("air_temp", "humidity", "steel_temp"), (), 1.0 / 600.0,
                "the 3 K of ISO 8502-4 are not looked at"),
    Requirement("prompt to cover the pot", ("humidity",), ("air_temp",), 1.0 / 600.0,
                "nobody is told that the air is close to saturation; rain never is"),
)  # fmt: skip


def missing(channels: frozenset[str]) -> list[tuple[Requirement, list[str]]]:
    """Figures that cannot be made from these channels, with the channels that are missing.

    Examples
    --------
    >>> [r.figure for r, _ in missing(frozenset({"deadman", "supply", "pot", "nozzle"}))]
    ['abrasive by load cell', 'dew point', 'steel over dew point', 'prompt to cover the pot']
    """
    return [
        (requirement, lacking)
        for requirement in REQUIREMENTS
        if (lacking := [c for c in requirement.channels if c not in channels])
    ]
