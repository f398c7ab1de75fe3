"""The store's one writer in a process of its own, so that decoding does not slow the sources.

Python runs one thread at a time: while a batch is decoded, a source beside it in the same process
would read its broker at half speed. So :class:`WriterProcess` has the methods of
:class:`ingest.store.write.StoreWriter` and passes them on to a child, one question and one answer
at a time, over the child's standard input and output.

Nothing is handed over but positions in the journal: the child reads the journal itself, and the
mark in the store says what has been taken. So either may be killed at any time. A child whose
parent is gone ends at once (``lifeline.py``); one that died is started again with the next
question.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO, Any, NamedTuple

import ingest
from ingest.errors import GritbookError, Transient
from ingest.store.batch import USUAL, Admission, Taken
from ingest.store.connection import DEFAULT_WAIT_S
from ingest.store.journal_frames import BEGINNING, Position
from ingest.store.write import StoreWriter

#: How long to wait for the child to end by itself before it is killed. [s]
_LAST_WORDS_S = 20.0

# How much decoding steps back behind the sources, and the furthest back that there is.
_NICE = 10
_NICEST = 19

# Appended to the path, not put in front: nothing here may come before the standard library.
_START = (
    "import sys; sys.path.append(sys.argv[1]); "
    # Before all that takes long to import: a parent may be gone by then.
    "from ingest.store.lifeline import end_with_parent; end_with_parent(sys.stdin.fileno()); "
    "from ingest.store.writer_process import answer_questions; answer_questions()"
)


class _Begin(NamedTuple):
    """What the child's :class:`StoreWriter` is made with."""

    data: Path
    pots: frozenset[str] | None
    pots_of_source: dict[str, frozenset[str]]
    admission: Admission


class _Take(NamedTuple):
    end: Position | None
    wait_s: float


class _Answer(NamedTuple):
    """Either what was taken and how far, or the error to be raised."""

    taken: Taken | None
    at: Position
    error: GritbookError | None


class WriterProcess:
    """A :class:`ingest.store.write.StoreWriter` in another process. Not for several threads.

    Parameters
    ----------
    data : Path
        Data folder.
    pots : collection of str or None
        Pots of the yard file; readings of others are quarantined. ``None`` takes any.
    pots_of_source : mapping, optional
        Pots that a source may speak of; a source that is not in it may speak of any.
    admission : Admission, optional
        What else a message must be for its readings to be taken.
    """

    def __init__(
        self,
        data: Path,
        pots: Collection[str] | None,
        pots_of_source: Mapping[str, Collection[str]] | None = None,
        admission: Admission = USUAL,
    ) -> None:
        own = {name: frozenset(of_it) for name, of_it in (pots_of_source or {}).items()}
        self._begin = _Begin(data, None if pots is None else frozenset(pots), own, admission)
        self._child: subprocess.Popen[bytes] | None = None
        self._at = BEGINNING

    @property
    def at(self) -> Position:
        """How far the journal has been taken, as far as is known here."""
        return self._at

    @property
    def pid(self) -> int | None:
        """Process number of the child; ``None`` before the first question."""
        return self._child.pid if self._child is not None else None

    def take(self, end: Position | None = None, wait_s: float = DEFAULT_WAIT_S) -> Taken | None:
        """Bring the next batch into the store; see :meth:`ingest.store.write.StoreWriter.take`.

        Raises
        ------
        StoreBusy, DiskFull, StoreError
            As of the writer itself.
        Transient
            The child died; call again.
        """
        if self._child is None or self._child.poll() is not None:
            self._start()
        child = self._child
        assert child is not None and child.stdin is not None and child.stdout is not None
        try:
            _send(child.stdin, _Take(end, wait_s))
            answer: _Answer = pickle.load(child.stdout)
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            self._child = None
            _end(child)
            raise Transient(
                f"The store's writer ended by itself (exit status {child.returncode}).",
                "It is started again; the journal keeps what it had not taken.",
            ) from error
        self._at = answer.at
        if answer.error is not None:
            raise answer.error
        return answer.taken

    def close(self) -> None:
        """End the child."""
        if self._child is not None:
            _end(self._child)
            self._child = None

    def _start(self) -> None:
        self.close()
        beside_us = str(Path(ingest.__file__).resolve().parent.parent)
        self._child = subprocess.Popen(
            [sys.executable, "-P", "-c", _START, beside_us],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert self._child.stdin is not None
        _send(self._child.stdin, self._begin)


def _send(pipe: IO[bytes], what: object) -> None:
    pickle.dump(what, pipe)
    pipe.flush()


def _end(child: subprocess.Popen[bytes]) -> None:
    assert child.stdin is not None and child.stdout is not None
    # A child that is gone already is what was wanted.
    with contextlib.suppress(BrokenPipeError):
        child.stdin.close()
    try:
        child.wait(_LAST_WORDS_S)
    except subprocess.TimeoutExpired:
        # What it has not committed the journal keeps.
        child.kill()
        child.wait()
    child.stdout.close()


def answer_questions() -> None:
    """What the child does: take batches for its parent until there is no parent.

    Signals that stop a service are for the parent, which lets the last batch in first.
    """
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    questions = sys.stdin.buffer
    # Whatever prints must not print into the answers.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    begin: _Begin = pickle.load(questions)
    with ThreadPoolExecutor(1, "decoding", _step_back) as decoding:
        writer = StoreWriter(
            begin.data, begin.pots, pots_of_source=begin.pots_of_source, admission=begin.admission,
            aside=lambda work: decoding.submit(work).result(),
        )  # fmt: skip
        while True:
            try:
                question: _Take = pickle.load(questions)
            except EOFError:
                return
            answer = _answer(writer, question)
            try:
                _send(answers, answer)
            except BrokenPipeError:
                return


def _step_back() -> None:
    """Let the sources go before this thread, and only this one.

    The journal keeps what waits here; what waits at a source, a broker keeps or a line loses. But
    who has the store open must not step back: with the whole process at the lowest priority, and
    other work on all cores, it held the store for minutes, and every page waited for it.
    """
    if sys.platform == "linux":
        # Elsewhere a process has one priority for all its threads.
        thread = threading.get_native_id()
        # From where it stands: to go before others than it did is not given to everybody.
        nice = os.getpriority(os.PRIO_PROCESS, thread) + _NICE
        os.setpriority(os.PRIO_PROCESS, thread, min(nice, _NICEST))


def _answer(writer: StoreWriter, question: _Take) -> _Answer:
    try:
        taken: Any = writer.take(question.end, question.wait_s)
    except GritbookError as error:
        return _Answer(None, writer.at, error)
    return _Answer(taken, writer.at, None)
