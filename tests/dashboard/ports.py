"""Ports for what tests start."""

from __future__ import annotations

import os
import random
import re
import socket

#: Below the ports that systems give to outgoing connections, so that none of those takes one
#: between the asking and the listening, nor while a server is killed and started again.
LOWEST, HIGHEST = 12_000, 32_000
#: Processes of one run of the tests that look for ports at the same time.
PROCESSES = 8

_chance = random.Random()  # unlike from run to run: two runs at once meet seldom
_given: set[int] = set()


def free_port() -> int:
    """A TCP port that nothing listens on, that was not given before in this run of the tests."""
    number = re.sub(r"\D", "", os.environ.get("PYTEST_XDIST_WORKER", "")) or "0"
    mine = range(LOWEST + int(number) % PROCESSES, HIGHEST, PROCESSES)
    while True:
        port = _chance.choice(mine)
        if port in _given:
            continue
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        _given.add(port)
        return port
