"""A process that ends as soon as the one that started it is gone, whatever it is doing then.

An ingest that was killed left its writer behind, which ended after what it was in the midst of: on
a busy computer it was still starting, or waited for the store, and an ingest that was started again
and again left dozens of them to queue for the store and the processor. What they did not commit
the journal keeps, so they may as well end at once.
"""

from __future__ import annotations

import os
import sys
import threading


def end_with_parent(fd: int) -> None:
    """End this process when nobody has the other end of a pipe open any more.

    Parameters
    ----------
    fd : int
        The end of a pipe that this process reads from; nothing is read of it. On Windows, which
        cannot be asked about a pipe in this way, nothing is watched, and whoever reads the pipe
        finds its end.
    """
    if sys.platform != "win32":
        threading.Thread(target=_watch, args=(fd,), daemon=True, name="lifeline").start()


if sys.platform != "win32":
    import select

    def _watch(fd: int) -> None:
        poll = select.poll()
        # Only what is told unasked, that it was hung up: questions are for the main thread.
        poll.register(fd, 0)
        poll.poll()
        os._exit(0)
