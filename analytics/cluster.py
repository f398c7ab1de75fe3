"""Deriving and weighing on a Dask cluster: the same functions a pot and day, on other computers.

A task reads the store or the archive where its worker sees the data folder, and is sent its
samples where it does not. What it finds comes back and is written here, so there is still one
writer. A task whose worker died is given to another; the result does not depend on who found it.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from analytics.pieces import (
    FoundPiece,
    Piece,
    PieceSamples,
    PieceSettings,
    find_piece,
    found_from_store,
    read_piece,
)
from analytics.pipeline import DERIVE_VERSION
from analytics.weighing import (
    WEIGHING_VERSION,
    read_spell,
    weigh_spell,
    weighed_from_store,
)
from ingest.errors import Terminal, Transient
from ingest.store.connection import read_window

#: How long to wait for the scheduler to answer. [s]
ANSWER_S = 15.0
#: A task is given out anew so many times after its worker died.
_RETRIES = 3
#: Samples under way to workers that do not see the data folder: a task holds some 100 MB.
_UNDER_WAY = 4


class ClusterLost(Transient):
    """The cluster does not answer, or lost its workers."""


class ClusterUnfit(Terminal):
    """The cluster's workers cannot do this work."""


@contextmanager
def on_cluster(address: str, data: Path) -> Iterator[Executor]:
    """What gives tasks to a Dask cluster, for :func:`analytics.pipeline.derive` and
    :func:`analytics.weighing.weigh_spells`.

    Parameters
    ----------
    address : str
        The scheduler's, such as ``tcp://192.0.2.1:8786``.
    data : Path
        Data folder. Workers that see it under the same path read it themselves.

    Raises
    ------
    ClusterUnfit
        Dask's ``distributed`` is not installed here, or workers run another Gritbook.
    ClusterLost
        The scheduler does not answer, has no worker, or work was lost with its workers.
    """
    try:
        from distributed import Client, KilledWorker
        from distributed.comm.core import CommClosedError
    except ImportError as error:
        raise ClusterUnfit(
            "Dask's distributed is not installed here.", "Run `pip install 'gritbook[cluster]'`."
        ) from error
    connect: Any = Client
    try:
        client = connect(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise ClusterLost(
            f"The cluster's scheduler at {address} does not answer: {error}.",
            "Start it with `dask scheduler`, or derive without --cluster.",
        ) from error
    try:
        submit = client.get_executor(pure=False, retries=_RETRIES).submit
        if _all_see(client, address, data):
            yield _Given(submit)
        else:
            yield _Sent(submit)
    except (KilledWorker, CommClosedError, CancelledError) as error:
        raise ClusterLost(
            f"The cluster at {address} lost its workers over this: {error}.",
            "What was written stays; run it again. Give workers more memory if they were ended "
            "for it.",
        ) from error
    finally:
        client.close()


def _all_see(client: Any, address: str, data: Path) -> bool:
    """Whether every worker has the data folder under the same path.

    Raises
    ------
    ClusterUnfit
        A worker runs another Gritbook.
    ClusterLost
        There is none.
    """
    # A word that only this folder has: another folder may lie under the same path over there.
    word = secrets.token_hex(16)
    mark = data / f".seen-{word}"
    mark.write_text(word)
    try:
        answers: dict[str, tuple[tuple[int, int], bool]] = client.run(_seen, str(mark), word)
    except (ModuleNotFoundError, AttributeError) as error:
        raise ClusterUnfit(
            f"The workers of the cluster at {address} do not have this Gritbook: {error}.",
            "Install the same version of gritbook[cluster] on them.",
        ) from error
    finally:
        mark.unlink()
    if not answers:
        raise ClusterLost(
            f"The cluster at {address} has no worker.", "Start some with `dask worker`."
        )
    ours = (DERIVE_VERSION, WEIGHING_VERSION)
    if other := {worker for worker, (theirs, _) in answers.items() if theirs != ours}:
        raise ClusterUnfit(
            f"Workers at {address} run another Gritbook: {', '.join(sorted(other))}.",
            "Install the same version on all of them.",
        )
    return all(sees for _, sees in answers.values())


def _seen(mark: str, word: str) -> tuple[tuple[int, int], bool]:
    """What a worker runs: its versions, and whether it sees the data folder."""
    try:
        sees = Path(mark).read_text() == word
    except OSError:
        sees = False
    return (DERIVE_VERSION, WEIGHING_VERSION), sees


class _Given(Executor):
    """Gives tasks as they are: workers read the data folder themselves."""

    def __init__(self, submit: Callable[..., Future[Any]]) -> None:
        self._submit = submit

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        return self._submit(fn, *args, **kwargs)


class _Sent(Executor):
    """Reads here what a task needs, and sends it: a few tasks at a time."""

    def __init__(self, submit: Callable[..., Future[Any]]) -> None:
        self._submit = submit
        self._room = threading.BoundedSemaphore(_UNDER_WAY)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        read, work = _APART[fn]
        data, *given = args
        self._room.acquire()
        with ExitStack() as left:
            # Until a task is under way, whatever goes wrong must make room again.
            left.callback(self._room.release)
            with read_window(data) as con:
                samples = read(con, *given)
            future = self._submit(work, samples, *given)
            left.pop_all()
        future.add_done_callback(lambda _: self._room.release())
        return future


def _read_pieces(con: Any, pieces: Sequence[Piece], settings: PieceSettings) -> list[PieceSamples]:
    return [read_piece(con, piece, settings) for piece in pieces]


def _find_pieces(
    samples: list[PieceSamples], pieces: Sequence[Piece], settings: PieceSettings
) -> list[FoundPiece]:
    return [find_piece(one, settings) for one in samples]


#: What is read here and what is done there, of each task that reads the store itself.
_APART: dict[Callable[..., Any], tuple[Callable[..., Any], Callable[..., Any]]] = {
    found_from_store: (_read_pieces, _find_pieces),
    weighed_from_store: (read_spell, weigh_spell),
}
