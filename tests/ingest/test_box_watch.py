"""Live counts of a box, batch by batch: what was lost, came late, or began anew."""

from __future__ import annotations

import json
import random
from pathlib import Path

import numpy as np
import pytest

from analytics.boxes import lost_messages
from ingest.health import Health
from ingest.readings import RawMessage
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

NOW_US = 1_760_000_000_000_000


def count(data: Path, numbers: list[int], batch: int, late_s: float = 0.1) -> dict[str, object]:
    """Bring messages with these counters in; gives what the health file says of the pot."""
    with Journal(data) as journal:
        for place, number in enumerate(numbers):
            at_s = NOW_US / 1e6 + place / 10
            pack = [{"bn": "pot-1/", "bt": at_s, "n": "seq", "u": "count", "v": number}]
            arrived_us = round((at_s + late_s) * 1e6)
            body = json.dumps(pack).encode()
            journal.append(RawMessage("serial:a", "", "", arrived_us, False, body))
    health = Health([])
    writer = StoreWriter(data, ["pot-1"], batch_messages=batch)
    while (taken := writer.take()) is not None:
        health.stored(taken)
    pots: dict[str, dict[str, object]] = health.facts()["pots"]
    return pots["pot-1"]


@pytest.mark.parametrize("batch", [1000, 7])
def test_live_counts_agree_with_what_is_computed_later(tmp_path: Path, batch: int) -> None:
    rng = random.Random(batch)
    numbers = [n for n in range(200, 500) if rng.random() > 0.1]
    for at in range(1, len(numbers) - 20, 20):
        part = numbers[at : at + 20]
        rng.shuffle(part)
        numbers[at : at + 20] = part
    numbers += [n for n in range(150) if n % 10]  # it was started anew
    found = count(tmp_path, numbers, batch)
    assert (found["lost"], found["restarts"]) == lost_messages(np.array(numbers))
    assert found["messages"] == len(numbers)
    assert found["late"] == 0


def test_what_a_box_kept_and_sent_later_is_late_and_no_longer_lost(tmp_path: Path) -> None:
    found = count(tmp_path, [*range(10), *range(2000, 2010), *range(10, 2000)], 500, late_s=60.0)
    assert (found["lost"], found["restarts"], found["late"]) == (0, 0, 2010)
