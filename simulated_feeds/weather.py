"""Weather over an invented yard: air temperature, humidity, steel temperature, rain.

A yearly and a daily swing with slow random weather on top, drawn once for the whole scenario, so
that every pot of a yard stands under the same sky.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DAY_S = 86_400.0
YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True)
class Weather:
    """The weather of one yard, by the hour, from a first instant on.

    Attributes
    ----------
    from_s : float
        UNIX time of the first value [s].
    air_c, humidity_percent : numpy.ndarray, shape (n,)
        Air temperature [degC] and relative humidity [%], an hour apart.
    wet_days : frozenset of int
        Days, counted from the first instant, on which it rains hard enough to stop work.
    """

    from_s: float
    air_c: np.ndarray
    humidity_percent: np.ndarray
    wet_days: frozenset[int]

    def at(self, instants_s: np.ndarray | float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give air temperature [degC], humidity [%] and steel temperature [degC] at UNIX times.

        Steel follows the air some three hours late, which is what makes it sweat in the morning.

        Parameters
        ----------
        instants_s : numpy.ndarray or float
            UNIX times [s].
        """
        hours = (np.asarray(instants_s, dtype=np.float64) - self.from_s) / 3600.0
        grid = np.arange(len(self.air_c), dtype=np.float64)
        return (
            np.interp(hours, grid, self.air_c),
            np.interp(hours, grid, self.humidity_percent),
            np.interp(hours - 3.0, grid, self.air_c),
        )

    def rains(self, instant_s: float) -> bool:
        """Say whether it rains too hard to blast on the day of a UNIX time.

        Parameters
        ----------
        instant_s : float
            UNIX time [s].
        """
        return int((instant_s - self.from_s) // DAY_S) in self.wet_days


def draw_weather(from_s: float, days: int, random: np.random.Generator) -> Weather:
    """Draw the weather of a temperate coast for a number of days.

    Parameters
    ----------
    from_s : float
        UNIX time of the first midnight [s].
    days : int
        How many days, at least 1.
    random : numpy.random.Generator
        Source of every draw.

    Returns
    -------
    Weather
        Hour by hour, with two hours' margin at the end.
    """
    hours = days * 24 + 2
    instants = from_s + np.arange(hours) * 3600.0
    year = 2 * np.pi * (instants / DAY_S / YEAR_DAYS)
    day = 2 * np.pi * (instants % DAY_S) / DAY_S
    # slow weather: a first-order chain with a memory of about two days
    shocks = random.standard_normal(hours) * 0.55
    slow = np.empty(hours)
    value = 0.0
    for index in range(hours):
        value = 0.98 * value + shocks[index]
        slow[index] = value
    wet = random.random(days) < 0.10
    wet_hour = np.repeat(wet, 24)
    wet_hour = np.concatenate([wet_hour, np.full(hours - len(wet_hour), wet_hour[-1])])
    air = 11.0 - 8.5 * np.cos(year - 0.35) - 3.5 * np.cos(day - 0.6) + slow - 1.5 * wet_hour
    humidity = 74.0 + 12.0 * np.cos(day - 0.6) - 1.1 * slow + 14.0 * wet_hour
    return Weather(
        from_s,
        air,
        np.clip(humidity, 25.0, 99.0),
        frozenset(int(index) for index in np.flatnonzero(wet)),
    )
