"""What a transducer, a pressure switch and a box make of the true pressures.

A transducer adds its own zero, gain, warmth, lag and noise, then rounds to its resolution; a
pressure switch bounces; a box stamps what it reads with a clock of its own. Random draws come from
the generator handed in, so the same seed gives the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LOOP_ZERO_MA, LOOP_SPAN_MA = 4.0, 16.0
"""A 4 to 20 mA current loop: current at zero and span [mA]."""
LOOP_LOW_MA, LOOP_HIGH_MA = 3.8, 20.5
"""NAMUR NE 43 measuring range [mA] (second hand); a healthy transducer saturates there."""
LOOP_BROKEN_MA = 3.5
"""Current a broken loop's transmitter falls to, below NE 43's 3.6 mA failure mark [mA]."""


@dataclass(frozen=True, slots=True)
class Transducer:
    """One gauge pressure transducer on a current loop.

    Attributes
    ----------
    span_pa : float
        Pressure at 20 mA [Pa gauge]; 4 mA is 0.
    resolution_pa : float
        Smallest step it sends [Pa].
    noise_pa : float
        Standard deviation of its noise [Pa].
    zero_pa, gain : float
        Zero error [Pa] and gain [-].
    warmth_pa_k : float
        Drift a kelvin away from 20 degC [Pa/K].
    lag_s : float
        First-order time constant of its port and filter [s].
    """

    span_pa: float = 1_000_000.0
    resolution_pa: float = 250.0
    noise_pa: float = 300.0
    zero_pa: float = 0.0
    gain: float = 1.0
    warmth_pa_k: float = 0.0
    lag_s: float = 0.0

    def measure(
        self,
        true_pa: np.ndarray,
        interval_s: float,
        air_c: float | np.ndarray,
        random: np.random.Generator,
    ) -> np.ndarray:
        """Give what the transducer sends for a run of true pressures.

        Parameters
        ----------
        true_pa : numpy.ndarray, shape (n,)
            True gauge pressure [Pa].
        interval_s : float
            Time between samples [s].
        air_c : float or numpy.ndarray, shape (n,)
            Temperature of the transducer [degC].
        random : numpy.random.Generator
            Source of the noise.

        Returns
        -------
        numpy.ndarray, shape (n,)
            Measured gauge pressure [Pa], a whole number of resolution steps, held within the
            loop's measuring range.
        """
        seen = true_pa
        if self.lag_s > 0.0 and len(true_pa):
            seen = lagged(true_pa, self.lag_s, interval_s)
        measured = random.standard_normal(len(seen), dtype=np.float32).astype(np.float64)
        measured *= self.noise_pa
        measured += seen if self.gain == 1.0 else seen * self.gain
        measured += self.zero_pa + self.warmth_pa_k * (np.asarray(air_c) - 20.0)
        low, high = (
            (current - LOOP_ZERO_MA) / LOOP_SPAN_MA * self.span_pa
            for current in (LOOP_LOW_MA, LOOP_HIGH_MA)
        )
        np.clip(measured, low, high, out=measured)
        measured /= self.resolution_pa
        np.rint(measured, out=measured)
        measured *= self.resolution_pa
        measured += 0.0  # no minus zero on the wire
        return measured

    def loop_ma(self, measured_pa: np.ndarray) -> np.ndarray:
        """Give the loop current for measured pressures, in steps of a microampere [mA].

        Parameters
        ----------
        measured_pa : numpy.ndarray, shape (n,)
            As `measure` gives it [Pa gauge].

        Examples
        --------
        >>> Transducer().loop_ma(np.array([0.0, 500_000.0, 1_000_000.0])).tolist()
        [4.0, 12.0, 20.0]
        """
        return np.round(LOOP_ZERO_MA + LOOP_SPAN_MA * measured_pa / self.span_pa, 3)


def lagged(values: np.ndarray, lag_s: float, interval_s: float) -> np.ndarray:
    """Give values as a first-order lag shows them, starting at rest on the first value.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,), n >= 1
        Any quantity.
    lag_s, interval_s : float
        Time constant and time between samples [s].

    Returns
    -------
    numpy.ndarray, shape (n,)
        The same quantity, following late.
    """
    from scipy.signal import lfilter

    follow = -np.expm1(-interval_s / lag_s)
    shown, _ = lfilter([follow], [1.0, follow - 1.0], values, zi=[values[0] * (1.0 - follow)])
    return np.asarray(shown)


def bounced(
    switch: np.ndarray, share: float, random: np.random.Generator
) -> tuple[np.ndarray, int]:
    """Give a switch's samples with some of its changes bouncing once.

    Parameters
    ----------
    switch : numpy.ndarray, shape (n,), bool
        Clean samples.
    share : float
        Share of the changes after which one sample falls back [-], 0 to 1.
    random : numpy.random.Generator
        Chooses which.

    Returns
    -------
    tuple of numpy.ndarray and int
        The samples with bounces, and how many bounces there are.
    """
    changes = np.flatnonzero(switch[1:] != switch[:-1]) + 1
    chosen = changes[random.random(len(changes)) < share] + 1
    chosen = chosen[chosen < len(switch)]
    shown = switch.copy()
    shown[chosen] = ~switch[chosen - 1]
    return shown, len(chosen)
