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
)  # fmt: skip


def missing(channels: frozenset[str]) -> list[tuple[Requirement, list[str]]]:
    """Figures that cannot be made from these channels, with the channels that are missing.

    Examples
    --------
    >>> [r.figure for r, _ in missing(frozenset({"deadman", "pot"}))]
    ['time to pressurise', 'drop manifold to pot', 'drop pot to nozzle']
    """
    return [
        (requirement, lacking)
        for requirement in REQUIREMENTS
        if (lacking := [c for c in requirement.channels if c not in channels])
    ]
