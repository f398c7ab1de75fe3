"""Faults put together: what they do to the plant, to the readings and to the box's messages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from ..plant import PLANT as PLANT_DTYPE
from ..signals import LOOP_BROKEN_MA, LOOP_SPAN_MA, LOOP_ZERO_MA
from .catalogue import BOX, BY_NAME, MESSAGE, PLANT, SENSOR, Fault, Occasion
from .chance import slot_chance

SLOT_S = 25.0
"""How long a sensor fault that comes and goes stays as it is [s]."""
SILENT_SLOT_S = 20
REBOOT_SLOT_S = 60
REBOOT_SILENT_S = 8
JUMP_AFTER_S = 60


class UnknownFault(ValueError):
    """A fault nobody knows, or a severity that is none."""


def parse_fault(text: str) -> tuple[Fault, float]:
    """Read `NAME:SEVERITY`; a name alone is severity 0.5.

    Parameters
    ----------
    text : str
        As on the command line.

    Raises
    ------
    UnknownFault
        When there is no such fault, or its severity is not a number from 0 to 1.

    Examples
    --------
    >>> fault, severity = parse_fault("pinch_leak:0.25")
    >>> fault.words, severity, fault.value(severity)
    ('pinch hose worn and leaking', 0.25, 1.5e-08)
    """
    name, colon, number = text.partition(":")
    if name not in BY_NAME:
        raise UnknownFault(f"no fault named {name!r}; `--list` shows them all")
    try:
        severity = float(number) if colon else 0.5
    except ValueError as error:
        raise UnknownFault(f"severity of {name} is not a number: {number!r}") from error
    if not 0.0 <= severity <= 1.0:
        raise UnknownFault(f"severity of {name} is from 0 to 1, not {severity:g}")
    return BY_NAME[name], severity


@dataclass(slots=True)
class FaultSet:
    """Faults at work on one pot, each with its severity.

    Attributes
    ----------
    faults : dict of str to float
        Name to severity.
    seed : int
        What chance hangs on.
    """

    faults: dict[str, float] = field(default_factory=dict)
    seed: int = 0
    _random: np.random.Generator = field(init=False, repr=False)
    _cycle: int = field(default=0, init=False, repr=False)
    _held_pa: float = field(default=float("nan"), init=False, repr=False)
    _was_stuck: bool = field(default=False, init=False, repr=False)

    def __post_init__(self) -> None:
        for name in self.faults:
            if name not in BY_NAME:
                raise UnknownFault(f"no fault named {name!r}")
        self._random = np.random.default_rng(np.random.SeedSequence([self.seed, 0xFA017]))

    @classmethod
    def from_texts(cls, texts: Iterable[str], seed: int = 0) -> FaultSet:
        """Read several `NAME:SEVERITY`; the same name twice takes the last.

        Parameters
        ----------
        texts : iterable of str
            As on the command line.
        seed : int
            What chance hangs on.
        """
        return cls({fault.name: severity for fault, severity in map(parse_fault, texts)}, seed)

    def of(self, where: str) -> list[tuple[Fault, float]]:
        """Give the faults at one place that do anything, with their severities.

        Parameters
        ----------
        where : str
            `plant`, `sensor`, `box` or `message`.
        """
        return [
            (BY_NAME[name], severity)
            for name, severity in self.faults.items()
            if BY_NAME[name].where == where and severity > 0.0
        ]

    # -- plant

    def change_plant(self, row: np.ndarray, healthy: np.ndarray) -> None:
        """Set a plant's row to the healthy one with every plant fault on top; once an opening.

        Parameters
        ----------
        row : numpy.ndarray, shape (1,), dtype PLANT
            Changed in place.
        healthy : numpy.ndarray, shape (1,), dtype PLANT
            The plant without faults.
        """
        assert row.dtype == PLANT_DTYPE
        row[:] = healthy
        occasion = Occasion(self._cycle, self._random)
        self._cycle += 1
        for fault, severity in self.of(PLANT):
            assert fault.change is not None
            fault.change(row, severity, occasion)

    # -- sensors

    def change_readings(
        self,
        times_s: np.ndarray,
        pot_pa: np.ndarray,
        deadman: np.ndarray,
        *,
        span_pa: float = 1_000_000.0,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Give pot readings and switch with every sensor fault at work.

        Parameters
        ----------
        times_s : numpy.ndarray, shape (n,)
            Seconds since the box was switched on, rising; later calls go on from earlier ones [s].
        pot_pa : numpy.ndarray, shape (n,)
            What a healthy transducer reads [Pa].
        deadman : numpy.ndarray, shape (n,), bool
            What a healthy switch says.
        span_pa : float
            Span of the pot transducer [Pa].

        Returns
        -------
        tuple of numpy.ndarray
            Pot readings [Pa] and switch, new arrays where anything changed.
        """
        for fault, severity in self.of(SENSOR):
            number = list(BY_NAME).index(fault.name)
            slots = (times_s // SLOT_S).astype(np.int64)
            bad = slot_chance(slots, self.seed + 1000 * number) < severity
            if fault.name == "transducer_stuck":
                pot_pa = self._stuck(pot_pa, bad)
            elif fault.name == "transducer_drift":
                pot_pa = pot_pa + np.rint(fault.value(severity) * times_s / 3600.0 / 250.0) * 250.0
            elif fault.name == "loop_broken":
                broken_pa = (LOOP_BROKEN_MA - LOOP_ZERO_MA) / LOOP_SPAN_MA * span_pa
                pot_pa = np.where(bad, broken_pa, pot_pa)
            elif fault.name == "deadman_stuck":
                deadman = deadman | bad
            elif fault.name == "deadman_missed":
                deadman = deadman & ~bad
        return pot_pa, deadman

    def _stuck(self, pot_pa: np.ndarray, bad: np.ndarray) -> np.ndarray:
        """Hold the reading over each bad run at what it was when the run began."""
        starts = bad & ~np.concatenate([[self._was_stuck], bad[:-1]])
        shown = pot_pa.copy()
        if bad.any():
            where = np.maximum.accumulate(np.where(starts, np.arange(len(bad)), -1))
            held = np.where(where >= 0, pot_pa[where], self._held_pa)
            shown[bad] = held[bad]
            self._held_pa = float(shown[np.flatnonzero(bad)[-1]])
        self._was_stuck = bool(bad[-1]) if len(bad) else self._was_stuck
        return shown

    # -- box

    def judge_seconds(self, seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Say what becomes of each second a box would send.

        Parameters
        ----------
        seconds : numpy.ndarray, shape (n,), int
            Seconds since the box was switched on.

        Returns
        -------
        tuple of numpy.ndarray, shape (n,)
            Whether it is sent; the counter it carries; how far its clock is off [s].
        """
        sent = np.ones(len(seconds), dtype=bool)
        counter = np.asarray(seconds, dtype=np.int64).copy()
        off_s = np.zeros(len(seconds))
        for fault, severity in self.of(BOX):
            if fault.name == "box_silent":
                slots = seconds // SILENT_SLOT_S
                sent &= slot_chance(slots, self.seed + 31) >= fault.value(severity)
            elif fault.name == "box_rebooted":
                last = int(seconds[-1]) // REBOOT_SLOT_S if len(seconds) else 0
                share = fault.value(severity) * REBOOT_SLOT_S / 3600.0
                boots = slot_chance(np.arange(last + 1), self.seed + 37) < share
                boots[0] = True
                started = np.maximum.accumulate(np.where(boots, np.arange(last + 1), 0))
                since = seconds - started[seconds // REBOOT_SLOT_S] * REBOOT_SLOT_S
                starting = (since < REBOOT_SILENT_S) & (since < seconds)
                sent &= ~starting
                counter = np.where(since < seconds, since - REBOOT_SILENT_S, since)
            elif fault.name == "clock_jumped":
                off_s = off_s + np.where(seconds >= JUMP_AFTER_S, fault.value(severity), 0.0)
            elif fault.name == "clock_drifts":
                off_s = off_s + np.round(fault.value(severity) * seconds / 3600.0, 6)
        return sent, counter, off_s

    def message_faults(self) -> dict[str, float]:
        """Give the message faults at work: name to share of messages [-]."""
        return {fault.name: fault.value(severity) for fault, severity in self.of(MESSAGE)}
