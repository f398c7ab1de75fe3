"""Colours as eyes see them: contrast, colour-blindness and difference, to test palettes by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Machado, Oliveira and Fernandes (2009), doi 10.1109/TVCG.2009.113, severity 1.0; of linear sRGB.
#: From memory; each row adds up to one, as the paper's do, since grey stays grey.
MACHADO = {
    "protanopia": np.array([
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]),
    "deuteranopia": np.array([
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]),
    "tritanopia": np.array([
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ]),
    "as it is": np.eye(3),
}  # fmt: skip


def linear(colour: str) -> Array:
    """``#rrggbb`` as linear sRGB, WCAG 2.2's "relative luminance" (with IEC's 0.04045)."""
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def mixed(over: str, under: str, opacity: float) -> str:
    """A colour laid over another one as a browser does it: in coded sRGB."""
    pairs = ((int(over[i : i + 2], 16), int(under[i : i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(a * opacity + b * (1 - opacity)):02X}" for a, b in pairs)


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio: (L1 + 0.05) / (L2 + 0.05)."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    light = sorted((float(weights @ linear(one)), float(weights @ linear(other))))
    return (light[1] + 0.05) / (light[0] + 0.05)


def lab(colour: str, vision: str = "as it is") -> Array:
    """CIELAB under D65 (IEC 61966-2-1's matrix) of a colour as somebody sees it."""
    seen = np.clip(MACHADO[vision] @ linear(colour), 0.0, 1.0)
    to_xyz = np.array([
        [0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505],
    ])  # fmt: skip
    x, y, z = (to_xyz @ seen) / (to_xyz @ np.ones(3))

    def f(t: float) -> float:
        return float(np.cbrt(t)) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29

    return np.array([116 * f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))])


def ciede2000(one: Array, other: Array) -> float:
    """Colour difference of CIE 142-2001, in the steps of Sharma, Wu and Dalal (2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    dh, mean_h = 0.0, h1 + h2
    if c1 * c2 != 0:
        dh = (h2 - h1 + 180) % 360 - 180
        if h2 - h1 == 180:
            dh = 180.0
        mean_h = (h1 + h2) / 2
        if abs(h1 - h2) > 180:
            mean_h += 180 if h1 + h2 < 360 else -180
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1 - 0.17 * np.cos(np.radians(mean_h - 30)) + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6)) - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )  # fmt: skip
    turn = 30 * np.exp(-(((mean_h - 275) / 25) ** 2))
    r_c = 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    r_t = -np.sin(np.radians(2 * turn)) * r_c
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return float(np.sqrt(x * x + y * y + z * z + r_t * y * z))
