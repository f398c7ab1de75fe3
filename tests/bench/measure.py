"""One row of a bench: a work and its baseline, timed by turns in the same run.

Seconds say little on a machine that others use too; a ratio of two that ran by turns does. Each row
has the ratio of elapsed time and that of processor time, medians of the turns' ratios.
"""

from __future__ import annotations

import os
import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

#: A ratio so many times the committed one is a gross regression; less may be the machine.
GROSS = 2.0


@dataclass(frozen=True)
class Row:
    """What was measured.

    Parameters
    ----------
    name, baseline : str
        What was timed, and beside what.
    work_s, baseline_s : float
        Medians, elapsed. [s]
    ratio, processor_ratio : float
        Work over baseline, medians of the turns; the processor's is NaN where the work was done in
        processes that go on.
    limit : float or None
        What the ratio (of the processor, where there is one) should not pass, where that is wanted.
    """

    name: str
    baseline: str
    work_s: float
    baseline_s: float
    ratio: float
    processor_ratio: float
    limit: float | None = None

    def judged(self) -> float:
        """The ratio that is compared with the committed one."""
        own = self.processor_ratio
        return own if own == own else self.ratio


def _processor_s() -> float:
    """Of this process and of those that it started and that have ended. [s]"""
    # Not os.times: it counts in hundredths of a second, and Python itself starts in two of them.
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + spent.ru_utime + spent.ru_stime


def _times(work: Callable[[], object]) -> tuple[float, float]:
    elapsed, processor = time.perf_counter(), _processor_s()
    work()
    return time.perf_counter() - elapsed, _processor_s() - processor


def by_turns(
    name: str,
    work: Callable[[], object],
    baseline_name: str,
    baseline: Callable[[], object],
    *,
    repeats: int,
    limit: float | None = None,
    scale: float = 1.0,
    elsewhere: bool = False,
) -> Row:
    """Time two works by turns, after one turn that does not count.

    Parameters
    ----------
    name, baseline_name : str
    work, baseline : callable
    repeats : int
        Turns that count.
    limit : float, optional
        As in :class:`Row`.
    scale : float
        How many times the work the baseline is; the ratio is of equal amounts.
    elsewhere : bool
        The work is done in processes that go on, so nothing is known of the processor's time.
    """
    works, baselines = [], []
    for turn in range(repeats + 1):
        mine, other = _times(work), _times(baseline)
        if turn:
            works.append(mine)
            baselines.append(other)
    ratios = [a[0] * scale / b[0] for a, b in zip(works, baselines, strict=True)]
    own = [a[1] * scale / max(b[1], 1e-9) for a, b in zip(works, baselines, strict=True)]
    return Row(
        name,
        baseline_name,
        statistics.median(a[0] for a in works),
        statistics.median(b[0] for b in baselines),
        statistics.median(ratios),
        float("nan") if elsewhere else statistics.median(own),
        limit,
    )


def cores() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
