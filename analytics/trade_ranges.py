"""What the trade expects of a nozzle, and whether a compressor can feed it: not from the yard.

Ranges here are common practice or physics, are wide, and are never a measure of anybody's work.
"""

from __future__ import annotations

from dataclasses import dataclass

from analytics.air import DRY_FREE_AIR, nozzle_air_demand_kg_s

#: Blast-cleaned area an hour of a 9.5 mm (3/8 in) nozzle at 690 kPa, by preparation grade; uncoated
#: steel of rust grade A to C. Common practice, from memory, no source. [m2/h]
PRACTICE_M2_H = {
    "Sa 1": (40.0, 70.0),
    "Sa 2": (18.0, 30.0),
    "Sa 2½": (12.0, 22.0),
    "Sa 3": (8.0, 15.0),
}
PRACTICE_BORE_M = 0.009525
#: Rust grade D or a thick coat halve it, about. Common practice, from memory. [-]
HARD_STEEL = ("D", "coated")
HARD_FACTOR = 0.5

#: Garnet used at 690 kPa, by rust and preparation grade, spread of half either way. Common
#: practice, from memory, no source. D is not always the worst: a yard's own data say. [kg/m2]
PRACTICE_KG_M2 = {
    "A": {"Sa 1": (3.0, 6.0), "Sa 2": (8.0, 12.0), "Sa 2½": (10.0, 16.0), "Sa 3": (14.0, 22.0)},
    "B": {"Sa 1": (3.0, 5.0), "Sa 2": (7.0, 11.0), "Sa 2½": (9.0, 15.0), "Sa 3": (13.0, 20.0)},
    "C": {"Sa 1": (3.0, 6.0), "Sa 2": (8.0, 14.0), "Sa 2½": (12.0, 20.0), "Sa 3": (16.0, 28.0)},
    "D": {"Sa 1": (4.0, 8.0), "Sa 2": (10.0, 18.0), "Sa 2½": (16.0, 30.0), "Sa 3": (22.0, 40.0)},
    "coated": {"Sa 1": (5.0, 8.0), "Sa 2": (12.0, 20.0), "Sa 2½": (18.0, 35.0),
               "Sa 3": (25.0, 45.0)},
}  # fmt: skip

#: Air metered while blasting over what the bore passes by theory: lowest, mean and highest of the
#: 42 cells of the trade's nozzle chart (published chart, quotients computed). [-]
METERED_AIR = (0.76, 0.81, 0.85)
#: A nozzle is changed when its bore has grown by one size, 1.6 mm; this much is allowed for. [-]
WORN_BORE = 1.10


def practice_m2_h(prep_grade: str, rust_grade: str, bore_m: float) -> tuple[float, float] | None:
    """Area an hour of one nozzle by common practice.

    Parameters
    ----------
    prep_grade : str
        ISO 8501-1: ``Sa 1``, ``Sa 2``, ``Sa 2½``, ``Sa 3``.
    rust_grade : str
        ``A`` to ``D``, ``coated``, or empty.
    bore_m : float
        Of the nozzle: area goes with its square. [m]

    Returns
    -------
    (float, float) or None
        Low and high; ``None`` for a grade that practice has no range for. [m2/h]

    Examples
    --------
    >>> practice_m2_h("Sa 2½", "B", 0.009525)
    (12.0, 22.0)
    """
    if prep_grade not in PRACTICE_M2_H:
        return None
    size = (bore_m / PRACTICE_BORE_M) ** 2
    low, high = PRACTICE_M2_H[prep_grade]
    if rust_grade in HARD_STEEL:
        return HARD_FACTOR * low * size, HARD_FACTOR * high * size
    # Where the steel is not known, it may be the hard one.
    return (low if rust_grade else HARD_FACTOR * low) * size, high * size


def practice_kg_m2(prep_grade: str, rust_grade: str) -> tuple[float, float] | None:
    """Garnet per area by common practice; over all rust grades where it is not given. [kg/m2]

    Examples
    --------
    >>> practice_kg_m2("Sa 2½", "D"), practice_kg_m2("Sa 2½", "")
    ((16.0, 30.0), (9.0, 35.0))
    """
    found = [
        by_prep[prep_grade]
        for rust, by_prep in PRACTICE_KG_M2.items()
        if rust_grade in ("", rust) and prep_grade in by_prep
    ]
    if not found:
        return None
    return min(low for low, _ in found), max(high for _, high in found)


@dataclass(frozen=True)
class FeedCheck:
    """Whether a compressor can feed its nozzles.

    Parameters
    ----------
    verdict : str
        ``room`` (also for worn nozzles), ``tight`` (not for worn ones), ``short``; empty: the
        compressor is not known.
    demand_kg_s : tuple of float
        Low, middle and high: all nozzles new and metered while blasting, lowest, mean; and worn.
    demand_m3_s : tuple of float
        The same as free air, 20 °C, 101.325 kPa, dry.
    holds_pa : float or None
        Gauge pressure at which the compressor just feeds new nozzles; ``None``: not known. [Pa]
    sentence : str
        For people.
    """

    verdict: str
    demand_kg_s: tuple[float, float, float]
    demand_m3_s: tuple[float, float, float]
    holds_pa: float | None
    sentence: str


_BESIDE = (
    "Hoses, coolers, separators, leaks, altitude and breathing air come on top: ask whoever "
    "supplies the compressor, and measure at the nozzle. Air to breathe needs a supply of its own."
)


def feed_check(
    bore_m: float, nozzle_pa: float, nozzles: int, free_air_m3_s: float | None
) -> FeedCheck:
    """Compare what nozzles take with what a compressor gives.

    Parameters
    ----------
    bore_m : float
        Of each nozzle. [m]
    nozzle_pa : float
        Gauge pressure wanted at the nozzle. [Pa]
    nozzles : int
        Open at once.
    free_air_m3_s : float or None
        What the compressor gives, as free air at 20 °C and 101.325 kPa. [m3/s]

    Returns
    -------
    FeedCheck
        A suggestion, from theory and the trade's chart.

    Raises
    ------
    ValueError
        Bore, pressure or number of nozzles is not positive.

    Examples
    --------
    >>> feed_check(0.009525, 690e3, 1, 0.060).verdict
    'short'
    """
    if bore_m <= 0.0 or nozzle_pa <= 0.0 or nozzles < 1:
        raise ValueError("bore, pressure and nozzles must be more than nought")
    theory = nozzles * float(nozzle_air_demand_kg_s(bore_m, nozzle_pa))
    least, mean, most = METERED_AIR
    demand = (least * theory, mean * theory, most * WORN_BORE**2 * theory)
    m3_s = tuple(kg_s / DRY_FREE_AIR.density_kg_m3 for kg_s in demand)
    needed = f"about {60.0 * m3_s[1]:.1f} m³/min of free air ({60.0 * m3_s[0]:.1f} new to "
    needed += f"{60.0 * m3_s[2]:.1f} worn)"
    what = "the nozzle takes" if nozzles == 1 else f"{nozzles} nozzles take"
    if free_air_m3_s is None:
        return FeedCheck(
            "", demand, (m3_s[0], m3_s[1], m3_s[2]), None,
            f"At {nozzle_pa / 1e3:.0f} kPa {what} {needed}. {_BESIDE}",
        )  # fmt: skip
    # Choked flow goes with absolute pressure.
    around = 101_325.0
    mass = free_air_m3_s * DRY_FREE_AIR.density_kg_m3
    holds = max((nozzle_pa + around) * mass / demand[1] - around, 0.0)
    if mass >= demand[2]:
        verdict, said = "room", "the compressor has enough for that, worn nozzles too"
    elif mass >= demand[1]:
        verdict, said = "tight", "the compressor has enough for new nozzles, not for worn ones"
    else:
        verdict = "short"
        said = f"the compressor can be expected to hold about {holds / 1e3:.0f} kPa only"
    return FeedCheck(
        verdict, demand, (m3_s[0], m3_s[1], m3_s[2]), holds,
        f"At {nozzle_pa / 1e3:.0f} kPa {what} {needed}; with {60.0 * free_air_m3_s:.1f} m³/min "
        f"{said}. {_BESIDE}",
    )  # fmt: skip
