"""When to send the next pack, and how to stop in between."""

from __future__ import annotations

import signal
import threading
import time
from types import FrameType


class Pace:
    """Waits until pot time, run at some speed, has come round; ends early when told to stop.

    Parameters
    ----------
    speed : float
        Pot seconds a wall second, positive; `math.inf` never waits.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed must be positive, not {speed}")
        self.speed = speed
        self.stop = threading.Event()
        self._started_s = time.monotonic()

    def stop_on_signals(self) -> None:
        """Stop cleanly on SIGTERM and on Ctrl-C; only in the main thread."""

        def ask(_number: int, _frame: FrameType | None) -> None:
            self.stop.set()

        signal.signal(signal.SIGTERM, ask)
        signal.signal(signal.SIGINT, ask)

    def wait_for(self, pot_s: float) -> bool:
        """Wait until so many pot seconds have passed since the start.

        Parameters
        ----------
        pot_s : float
            Pot time since the start [s].

        Returns
        -------
        bool
            False when stopped meanwhile.
        """
        due_s = self._started_s + pot_s / self.speed
        return not self.stop.wait(max(due_s - time.monotonic(), 0.0))
