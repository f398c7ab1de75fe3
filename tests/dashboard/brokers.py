"""A broker from the distribution's package, for the tests that speak MQTT."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest
from ports import free_port

#: How long a broker may take to start or to end, on a computer that is busy. [s]
PATIENCE_S = 60.0


def mosquitto() -> str:
    """The broker's program; the test is skipped where it is not installed."""
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"
    found = shutil.which("mosquitto", path=path)
    if found is None:
        pytest.skip("mosquitto is not installed; install Debian's package of that name")
    return found


def wait_until_it_listens(process: subprocess.Popen[bytes], port: int) -> None:
    """Wait until somebody may connect."""
    give_up_at = time.monotonic() + PATIENCE_S
    while True:
        assert process.poll() is None, "mosquitto ended"
        try:
            socket.create_connection(("127.0.0.1", port), 5).close()
            return
        except OSError:
            assert time.monotonic() < give_up_at, "mosquitto does not listen"
            time.sleep(0.02)


class Broker:
    """A mosquitto of one's own.

    Parameters
    ----------
    folder : Path
        Where its configuration lies.
    lines : str
        What the configuration says beside the port.
    """

    def __init__(self, folder: Path, lines: str) -> None:
        self.port = free_port()
        self.config = folder / f"mosquitto-{self.port}.conf"
        self.configure(lines)
        self._process: subprocess.Popen[bytes] | None = None

    def configure(self, lines: str) -> None:
        """Say something else, from the next start on."""
        self.config.write_text(f"listener {self.port} 127.0.0.1\n{lines}\n")

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self._process = subprocess.Popen(
            [mosquitto(), "-c", str(self.config)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_until_it_listens(self._process, self.port)

    def stop(self) -> None:
        """End it as the system would, its queue written to disk."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(PATIENCE_S)
            self._process = None


#: What programs begin with that publish from a process of their own: ``connected(port)`` gives a
#: client that loses nothing, and ``finish(client, infos)`` ends it when all has been taken.
PUBLISHING = """
import itertools, json, random, sys, threading, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

def connected(port, inflight=500):
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(inflight)
    client.connect("127.0.0.1", int(port))
    client.loop_start()
    return client

def finish(client, infos):
    for info in infos:
        info.wait_for_publish(480)
    client.disconnect()
    client.loop_stop()

def told_to_stop():
    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.readline(), stop.set()), daemon=True).start()
    return stop
"""
