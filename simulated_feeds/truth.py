"""The truth of a live pot, written beside what is sent: a JSON object a line."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import IO

from .faults.catalogue import BY_NAME
from .faults.fault_set import FaultSet


class TruthLines:
    """A file of truth lines: first the faults, then each cycle once it is over.

    Parameters
    ----------
    path : Path or None
        Where to write; None writes nothing.
    pot : str
        Name of the pot.
    faults : FaultSet
        What is wrong with it.
    """

    def __init__(self, path: Path | None, pot: str, faults: FaultSet) -> None:
        self.path, self.pot, self.faults = path, pot, faults
        self._file: IO[str] | None = None

    def __enter__(self) -> TruthLines:
        if self.path is not None:
            self._file = self.path.open("w", encoding="utf-8")
            for name, severity in self.faults.faults.items():
                fault = BY_NAME[name]
                self._line(
                    {
                        "kind": "fault", "pot": self.pot, "fault": name, "severity": severity,
                        "value": fault.value(severity), "unit": fault.unit, "dial": fault.dial,
                    }
                )  # fmt: skip
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self._file is not None:
            self._file.close()

    def cycle(self, truth: dict[str, float | int]) -> None:
        """Write the truth of a cycle; times in UNIX seconds.

        Parameters
        ----------
        truth : dict of str to float or int
            As `LivePot` tells it.
        """
        self._line({"kind": "cycle", "pot": self.pot, **truth})

    def _line(self, row: Mapping[str, object]) -> None:
        if self._file is not None:
            self._file.write(json.dumps(row) + "\n")
            self._file.flush()
