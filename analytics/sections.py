"""Area of steel counted from pieces: plates, pipes and sections, perimeter times length.

A section's perimeter is computed from its dimensions, with its root and toe radii, never typed.
What is counted is the outside along the length: end faces, holes, welds and what is welded on are
not in it, nor the inside of pipes and hollow sections.

References
----------
.. [1] EN 10365:2017, dimensions of IPE, HE, UPE and UPN sections (dimensions from memory; tests
   hold their masses and surfaces against published tables).
.. [2] EN 10056-1:2017, equal leg angles, toe radius half the root radius (from memory, as above).
.. [3] EN 10219-2 and EN 10210-2, outer corner radii of hollow sections for calculation.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from analytics.section_table import CHANNELS_PARALLEL, CHANNELS_TAPERED, EQUAL_ANGLES, I_SECTIONS

_MM = 1e-3


def i_perimeter_m(height: float, width: float, web: float, root: float) -> float:
    """Perimeter of an I or H section with parallel flanges.

    P = 2 h + 4 b - 2 tw - (8 - 2π) r

    Parameters
    ----------
    height, width, web, root : float
        Height, flange width, web thickness, root radius. [m]

    Returns
    -------
    float
        [m], which is square metres a metre.

    Examples
    --------
    >>> round(i_perimeter_m(0.200, 0.100, 0.0056, 0.012), 3)
    0.768
    """
    return 2 * height + 4 * width - 2 * web - (8 - 2 * math.pi) * root


def channel_perimeter_m(height: float, width: float, web: float, root: float) -> float:
    """Perimeter of a channel with parallel flanges and square toes.

    P = 2 h + 4 b - 2 tw - (4 - π) r

    Parameters
    ----------
    height, width, web, root : float
        Height, flange width, web thickness, root radius. [m]

    Returns
    -------
    float
        [m]

    Examples
    --------
    >>> round(channel_perimeter_m(0.200, 0.080, 0.006, 0.013), 3)
    0.697
    """
    return 2 * height + 4 * width - 2 * web - (4 - math.pi) * root


def tapered_channel_perimeter_m(
    height: float, width: float, web: float, flange: float, root: float, toe: float
) -> float:
    """Perimeter of a channel with tapered flanges.

    The inner faces slope by 8 % up to 300 mm of height, the flange's thickness being that at half
    its width; above by 5 %, the thickness being that half way between web and toe. A rounded
    corner that turns by φ has r φ in the place of 2 r tan(φ/2).

    Parameters
    ----------
    height, width, web, flange, root, toe : float
        Height, flange width, web and flange thickness, root and toe radius. [m]

    Returns
    -------
    float
        [m]

    Examples
    --------
    >>> round(tapered_channel_perimeter_m(0.200, 0.075, 0.0085, 0.0115, 0.0115, 0.006), 2)
    0.66
    """
    low = height <= 0.300 + 1e-9
    slope = 0.08 if low else 0.05
    at = width / 2 if low else width - (width - web) / 2
    toe_thick = flange - slope * (width - at)
    web_thick = flange + slope * (at - web)
    incline = math.atan(slope)
    turn = math.pi / 2 - incline
    saved = 2 * math.tan(turn / 2) - turn
    sharp = (
        height
        + 2 * width
        + 2 * toe_thick
        + 2 * (width - web) / math.cos(incline)
        + height
        - 2 * web_thick
    )
    return sharp - 2 * (root + toe) * saved


def angle_perimeter_m(leg: float, other_leg: float, root: float, toe: float) -> float:
    """Perimeter of an angle, its heel square.

    P = 2 (a + b) - (2 - π/2) (r1 + 2 r2)

    Parameters
    ----------
    leg, other_leg, root, toe : float
        Lengths of the legs, root and toe radius. [m]

    Returns
    -------
    float
        [m]

    Examples
    --------
    >>> round(angle_perimeter_m(0.100, 0.100, 0.012, 0.006), 3)
    0.39
    """
    return 2 * (leg + other_leg) - (2 - math.pi / 2) * (root + 2 * toe)


def hollow_perimeter_m(height: float, width: float, wall: float, hot_finished: bool) -> float:
    """Outer perimeter of a square or rectangular hollow section.

    P = 2 (h + b) - (8 - 2π) r;  r = 1.5 t hot finished; cold formed 2 t up to 6 mm of wall,
    2.5 t up to 10 mm, 3 t above

    Parameters
    ----------
    height, width, wall : float
        Outer sides and wall. [m]
    hot_finished : bool
        EN 10210; else cold formed, EN 10219.

    Returns
    -------
    float
        [m]

    Examples
    --------
    >>> round(hollow_perimeter_m(0.060, 0.040, 0.004, hot_finished=False), 3)
    0.186
    """
    cold = 2.0 if wall <= 0.006 else 2.5 if wall <= 0.010 else 3.0
    factor = 1.5 if hot_finished else cold
    return 2 * (height + width) - (8 - 2 * math.pi) * factor * wall


def pipe_perimeter_m(diameter: float) -> float:
    """Outer perimeter of a pipe or round bar. [m]

    Examples
    --------
    >>> round(pipe_perimeter_m(0.1683), 4)
    0.5287
    """
    return math.pi * diameter


@dataclass(frozen=True)
class Counted:
    """Pieces of one kind with their area.

    Parameters
    ----------
    piece : str
        What they are, written one way.
    count : int
        How many.
    each_m2 : float
        Area of one. [m2]
    length_m : float or None
        Length of one, but for plates. [m]
    """

    piece: str
    count: int
    each_m2: float
    length_m: float | None

    @property
    def area_m2(self) -> float:
        """Area of all of them. [m2]"""
        return self.count * self.each_m2


_NUMBER = r"\d+(?:\.\d+)?"
_SIZES = re.compile(rf"^({_NUMBER})((?:\s*x\s*{_NUMBER})*)$")


def section_perimeter_m(name: str) -> tuple[str, float]:
    """Perimeter of a section by its name, and the name written one way.

    Parameters
    ----------
    name : str
        A standard section (``IPE 200``, ``HEA 200`` or ``HE 200 A``, ``UPN 200``, ``UPE 200``,
        ``L 100x100x10``), or one by its dimensions in mm: ``pipe 168.3``, ``tube 100x60x4`` (cold
        formed), ``hot tube 100x60x4``, ``angle 100x75x12x6`` (legs, root and toe radius),
        ``I 300x150x7.1x15`` (height, width, web, root radius), ``channel 200x80x6x13`` (the same,
        parallel flanges), ``bar 80x10`` (flat).

    Returns
    -------
    (str, float)
        The name, and the perimeter. [m]

    Raises
    ------
    ValueError
        There is no such section, or its dimensions cannot be; the sentence says what is known.

    Examples
    --------
    >>> name, perimeter = section_perimeter_m("he200a")
    >>> name, round(perimeter, 3)
    ('HEA 200', 1.136)
    """
    typed = " ".join(name.replace("×", "x").replace("X", "x").split())
    standard = _standard(typed)
    if standard is not None:
        return standard
    kind, _, sizes = typed.rpartition(" ")
    found = _SIZES.match(sizes.lower())
    family = kind.strip().lower()
    if not found or family not in _BY_SIZES:
        raise ValueError(
            f'there is no section "{name}"; write a standard one such as IPE 200, HEA 200, '
            "UPN 200, UPE 200, L 100x100x10, or dimensions in mm: pipe 168.3, tube 100x60x4, "
            "hot tube 100x60x4, angle 100x75x12x6, I 300x150x7.1x15, channel 200x80x6x13, bar 80x10"
        )
    numbers = [float(n) * _MM for n in re.findall(_NUMBER, sizes)]
    wanted, perimeter = _BY_SIZES[family]
    if len(numbers) != len(wanted):
        raise ValueError(f"{family}: expected {' x '.join(wanted)} in mm, not {sizes}")
    around = perimeter(*numbers)
    if not 0.0 < around < 50.0 or min(numbers) < 0.0:
        raise ValueError(f"{name}: these dimensions make no section; they are in mm")
    return f"{'I' if family == 'i' else family} {sizes.lower().replace(' ', '')}", around


def _hot(height: float, width: float, wall: float) -> float:
    return hollow_perimeter_m(height, width, wall, hot_finished=True)


def _cold(height: float, width: float, wall: float) -> float:
    return hollow_perimeter_m(height, width, wall, hot_finished=False)


_BY_SIZES: dict[str, tuple[tuple[str, ...], Callable[..., float]]] = {
    "pipe": (("diameter",), pipe_perimeter_m),
    "round": (("diameter",), pipe_perimeter_m),
    "tube": (("height", "width", "wall"), _cold),
    "hot tube": (("height", "width", "wall"), _hot),
    "angle": (("leg", "leg", "root radius", "toe radius"), angle_perimeter_m),
    "i": (("height", "width", "web", "root radius"), i_perimeter_m),
    "channel": (("height", "width", "web", "root radius"), channel_perimeter_m),
    "bar": (("width", "thickness"), lambda width, thick: 2 * (width + thick)),
}


def _standard(typed: str) -> tuple[str, float] | None:
    compact = typed.upper().replace(" ", "")
    if found := re.match(r"^HE(\d+)([AB])$", compact):
        compact = f"HE{found[2]}{found[1]}"
    if found := re.match(r"^(IPE|HEA|HEB|UPN|UNP|UPE)(\d+)$", compact):
        family = "UPN" if found[1] == "UNP" else found[1]
        name = f"{family} {found[2]}"
        if name in I_SECTIONS:
            height, width, web, _, root = (n * _MM for n in I_SECTIONS[name])
            return name, i_perimeter_m(height, width, web, root)
        if name in CHANNELS_PARALLEL:
            height, width, web, _, root = (n * _MM for n in CHANNELS_PARALLEL[name])
            return name, channel_perimeter_m(height, width, web, root)
        if name in CHANNELS_TAPERED:
            return name, tapered_channel_perimeter_m(*(n * _MM for n in CHANNELS_TAPERED[name]))
        return None
    if found := re.match(r"^L(\d+)X(\d+)X(\d+)$", compact):
        name = f"L {found[1]}x{found[2]}x{found[3]}"
        if name in EQUAL_ANGLES:
            leg, _, root = (n * _MM for n in EQUAL_ANGLES[name])
            return name, angle_perimeter_m(leg, leg, root, root / 2)
    return None


def counted(text: str) -> Counted:
    """Pieces as people write them, with their area.

    Parameters
    ----------
    text : str
        ``COUNT, SECTION, LENGTH in m``, such as ``12, IPE 200, 6``; of a plate ``COUNT, plate,
        LENGTH in m, WIDTH in m, SIDES``, such as ``4, plate, 6, 2, 2`` (edges not counted).

    Raises
    ------
    ValueError
        It cannot be read; the sentence says what was expected.

    Examples
    --------
    >>> pieces = counted("12, IPE 200, 6")
    >>> pieces.piece, round(pieces.area_m2, 2)
    ('IPE 200', 55.31)
    >>> counted("4, plate, 6, 2, 2").area_m2
    96.0
    """
    parts = [part.strip() for part in text.split(",")]
    try:
        count = int(parts[0])
        if parts[1].lower() == "plate":
            return plates(count, *(float(p) for p in parts[2:]))
        (length_m,) = (float(p) for p in parts[2:])
    except (ValueError, IndexError, TypeError) as error:
        raise ValueError(
            f'"{text}": expected COUNT, SECTION, LENGTH such as 12, IPE 200, 6; or of plates '
            "COUNT, plate, LENGTH, WIDTH, SIDES such as 4, plate, 6, 2, 2; lengths in m"
        ) from error
    return lengths(count, parts[1], length_m)


def plates(count: int, length_m: float, width_m: float, sides: float = 2) -> Counted:
    """Plates blasted on one or both sides; their edges are not counted.

    Raises
    ------
    ValueError
        A number cannot be.
    """
    if count < 1 or length_m <= 0 or width_m <= 0 or sides not in (1, 2):
        raise ValueError("plates need a count, a length and a width in m, and 1 or 2 sides")
    words = "one side" if sides == 1 else "both sides"
    return Counted(
        f"plate {length_m:g} x {width_m:g} m, {words}", count, length_m * width_m * sides, None
    )


def lengths(count: int, section: str, length_m: float) -> Counted:
    """Lengths of a section or pipe.

    Raises
    ------
    ValueError
        A number cannot be, or there is no such section.
    """
    if count < 1 or not 0 < length_m <= 1000:
        raise ValueError("pieces need a count and a length in m, at most 1000")
    name, perimeter_m = section_perimeter_m(section)
    return Counted(name, count, perimeter_m * length_m, length_m)
