"""Figures on ingest itself, as Prometheus' text, on a port of this computer.

Off unless the yard file has a ``[metrics]`` table. What is served is what stands in the health
file (:mod:`ingest.health`), under names that begin with ``gritbook_``; no reading and no secret.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from prometheus_client import CollectorRegistry, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from ingest.errors import YardFileError
from ingest.sources.inbox import WORKING_STATES

Facts = Callable[[], dict[str, Any]]

_COUNTS = (
    ("messages", "Messages kept in the journal since the start."),
    ("readings", "Readings stored since the start."),
    ("repeated", "Readings found again since the start."),
    ("quarantined", "Rows of quarantine since the start."),
)


class IngestCollector(Collector):
    """Turns the facts of :meth:`ingest.health.Health.facts` into metrics when it is asked.

    Parameters
    ----------
    facts : callable
    """

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    def collect(self) -> Iterator[Metric]:
        """The metrics as they stand now."""
        facts = self._facts()
        for name, words in _COUNTS:
            family = CounterMetricFamily(f"gritbook_{name}", words)
            family.add_metric([], facts[name])
            yield family
        yield GaugeMetricFamily(
            "gritbook_journal_waiting_bytes",
            "Journal that the store has not taken yet.",
            value=facts["waiting_bytes"],
        )
        started = dt.datetime.fromisoformat(facts["started_at"]).timestamp()
        yield GaugeMetricFamily("gritbook_started_seconds", "When it started.", value=started)
        for name, words in (
            ("journal_bytes", "Size of the journal."),
            ("store_bytes", "Size of the store."),
            ("free_bytes", "Room on the disk that holds them."),
        ):
            if name in facts:
                yield GaugeMetricFamily(f"gritbook_{name}", words, value=facts[name])
        trouble = GaugeMetricFamily(
            "gritbook_trouble", "1 for each part that is in trouble now.", labels=["part"]
        )
        for part in facts["trouble"]:
            trouble.add_metric([part], 1)
        yield trouble
        yield from _of_sources(facts["sources"])
        yield from _of_pots(facts["pots"])


def _of_sources(sources: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    up = GaugeMetricFamily("gritbook_source_up", "1 while a source works.", labels=["source"])
    messages = CounterMetricFamily(
        "gritbook_source_messages", "Messages of a source since the start.", labels=["source"]
    )
    held = CounterMetricFamily(
        "gritbook_source_held_back_seconds",
        "How long reading was held back for coming too fast.",
        labels=["source"],
    )
    refused = CounterMetricFamily(
        "gritbook_source_refused",
        "Times that the broker could not be used, by kind.",
        labels=["source", "kind"],
    )
    for name, source in sources.items():
        up.add_metric([name], float(source["state"] in WORKING_STATES))
        messages.add_metric([name], source["messages"])
        if "held_back_s" in source:
            held.add_metric([name], source["held_back_s"])
        for kind, count in source.get("refused", {}).items():
            refused.add_metric([name, kind], count)
    yield from (up, messages, held, refused)


def _of_pots(pots: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    messages = CounterMetricFamily(
        "gritbook_pot_messages", "Messages of a pot since the start.", labels=["pot"]
    )
    heard = GaugeMetricFamily(
        "gritbook_pot_last_heard_seconds", "When a pot was last heard.", labels=["pot"]
    )
    # A lost message may still come, so this can go down.
    lost = GaugeMetricFamily(
        "gritbook_pot_lost", "Messages of a pot missing by their counter.", labels=["pot"]
    )
    restarts = CounterMetricFamily(
        "gritbook_pot_restarts", "Times that a pot's counter began anew.", labels=["pot"]
    )
    for name, pot in pots.items():
        messages.add_metric([name], pot["messages"])
        lost.add_metric([name], pot.get("lost", 0))
        restarts.add_metric([name], pot.get("restarts", 0))
        if pot["last_message_at"]:
            at = dt.datetime.fromisoformat(pot["last_message_at"]).timestamp()
            heard.add_metric([name], at)
    yield from (messages, heard, lost, restarts)


@contextmanager
def serving(host: str, port: int, facts: Facts) -> Iterator[None]:
    """Serve the metrics for the length of the block.

    Parameters
    ----------
    host, port : str, int
        Where to listen.
    facts : callable
        As of :class:`IngestCollector`.

    Raises
    ------
    YardFileError
        The port is taken, or the address is not this computer's.
    """
    registry = CollectorRegistry()
    registry.register(IngestCollector(facts))
    try:
        server, thread = start_http_server(port, host, registry)
    except OSError as error:
        raise YardFileError(
            f"The port {port} for metrics cannot be opened on {host}: {error.strerror}.",
            "Choose another metrics.port in the yard file, or leave the table out.",
        ) from error
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
