"""The command that brings derived figures up to date."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor

    from analytics.pipeline import Derived


def derive(
    data: DataOption = None,
    yard: YardOption = None,
    full: Annotated[
        bool, typer.Option("--full", help="From the first reading on, whatever is there.")
    ] = False,
    weigh: Annotated[
        bool,
        typer.Option(
            "--weigh/--no-weigh", help="Weigh the pots too: about a second for each shift."
        ),
    ] = True,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Have a Dask cluster do the work, by its scheduler's address; needs "
            "gritbook[cluster].",
            show_default=False,
        ),
    ] = None,
    every: Annotated[
        float | None,
        typer.Option(
            "--every", min=1.0, help="Go on, every so many seconds, until stopped.",
            show_default=False,
        ),
    ] = None,
) -> None:  # fmt: skip
    """Find cycles, hours and what is due from the readings that came in since the last time."""
    with sentences():
        from analytics import noticing, pipeline, weighing
        from ingest.config import load_yard
        from ingest.store.shards import gather_all

        path, folder = yard_path(yard, data), data_folder(data)
        if every is not None and cluster is not None:
            raise typer.BadParameter("--every and --cluster do not go together")
        if every is None:
            loaded = load_yard(path)
            for shard in gather_all(folder):
                if shard.readings or shard.conflicts:
                    typer.echo(f"{shard.readings:,} readings gathered from {shard.shard}.")
            with _workers(cluster, folder) as executor:
                if weigh:
                    _, weighed = weighing.derive_and_weigh(
                        folder, loaded, full=full, progress=typer.echo, executor=executor,
                        derived=_tell,
                    )  # fmt: skip
                    typer.echo(f"{weighed.weighed} spells weighed.")
                else:
                    done = pipeline.derive(
                        folder, loaded, full=full, progress=typer.echo, executor=executor
                    )
                    _tell(done)
            noticed = noticing.derive_notices(folder, loaded, full=full)
            typer.echo(f"{noticed.open} notices are open.")
            return
        _go_on(folder, path, every, weigh)


def _tell(done: Derived) -> None:
    typer.echo(
        f"{done.cycles:,} cycles of {len(done.pots)} pots in {done.seconds:.1f} s."
        if done.pots
        else f"Up to date ({done.seconds:.1f} s)."
    )


@contextmanager
def _workers(cluster: str | None, folder: Path) -> Iterator[Executor | None]:
    """Whoever does the work: a cluster, or nobody but this computer."""
    if cluster is None:
        yield None
        return
    from analytics.cluster import on_cluster

    with on_cluster(cluster, folder) as executor:
        yield executor


def _go_on(folder: Path, path: Path, every: float, weigh: bool) -> None:
    import signal
    import threading

    from analytics import noticing, pipeline, weighing
    from ingest.config import load_yard
    from ingest.errors import Transient
    from ingest.store.shards import gather_all

    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    while not stop.is_set():
        try:
            loaded = load_yard(path)
            gather_all(folder)
            pipeline.derive(folder, loaded)
            if weigh:
                weighing.weigh_spells(folder, loaded, most_s=every / 2)
            noticing.derive_notices(folder, loaded)
        except Transient as error:
            # The store is held by somebody; the next round takes what this one could not.
            typer.echo(str(error), err=True)
        stop.wait(every)
