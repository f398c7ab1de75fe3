"""A box that sends too fast is read slower, and loses nothing by it."""

from __future__ import annotations

import threading
import time
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.readings import RawMessage
from ingest.sources.inbox import Inbox
from ingest.sources.mqtt import MqttSettings, MqttSource

PER_S, BURST, SENT = 20.0, 10, 50


def test_a_flood_is_read_at_the_bound_and_kept_whole(broker: Any) -> None:
    settings = MqttSettings(
        "127.0.0.1", broker.port, "g", "yard", "pace", messages_per_s=PER_S, burst=BURST
    )
    source, inbox, stop = MqttSource(settings), Inbox(), threading.Event()
    thread = threading.Thread(target=source.run, args=(inbox, stop), daemon=True)
    thread.start()
    give_up_at = time.monotonic() + 120
    while source.state != "connected":
        assert time.monotonic() < give_up_at, source.state
        time.sleep(0.02)
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    sent = [client.publish("g/yard/pot-1/readings", b"%d" % n, qos=1) for n in range(SENT)]
    for one in sent:
        one.wait_for_publish(120)
    heard: list[RawMessage] = []
    while len(heard) < SENT:
        assert time.monotonic() < give_up_at, len(heard)
        deliveries = inbox.take(0.2)
        heard += [delivery.message for delivery in deliveries]
        source.acknowledge([delivery.token for delivery in deliveries])
    stop.set()
    thread.join(90)
    client.disconnect()
    client.loop_stop()
    assert [message.payload for message in heard] == [b"%d" % n for n in range(SENT)]
    # The bound, with the burst and the one that empties the bucket before it. A busy computer may
    # note an arrival late by some tenths of a second; without the bound all fifty come at once.
    for number, message in enumerate(heard):
        passed_s = (message.arrived_us - heard[0].arrived_us) / 1e6
        assert number <= BURST + 1 + PER_S * (passed_s + 0.5)
    assert source.held_back_s > 0.1
    assert not thread.is_alive()
