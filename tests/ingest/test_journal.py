"""The journal: what was synced comes back, whatever was torn, damaged, full or held."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import DiskFull, JournalError
from ingest.readings import RawMessage
from ingest.store import journal, journal_frames
from ingest.store.journal import Journal
from ingest.store.journal_frames import Damage, Entry, Position, read_from


def message(number: int, payload: bytes | None = None) -> RawMessage:
    text = payload if payload is not None else f"message {number}".encode()
    return RawMessage("mqtt", f"g/yard/pot-{number}/readings", "", 1_000 + number, False, text, 7)


def kept(data: Path, mark: Position = journal_frames.BEGINNING) -> list[RawMessage]:
    return [e.message for e in read_from(data, mark) if isinstance(e, Entry)]


def fill(data: Path, count: int, segment_bytes: int = journal.SEGMENT_BYTES) -> list[RawMessage]:
    messages = [message(n) for n in range(count)]
    with Journal(data, segment_bytes=segment_bytes) as opened:
        for one in messages:
            opened.append(one)
            opened.sync()
    return messages


def newest_segment(data: Path) -> Path:
    folder = journal_frames.journal_folder(data)
    return journal_frames.segment_path(folder, journal_frames.segment_numbers(folder)[-1])


@given(
    st.lists(
        st.builds(
            RawMessage,
            st.text(st.characters(codec="utf-8"), max_size=20),
            st.text(st.characters(codec="utf-8"), max_size=20),
            st.text(st.characters(codec="utf-8"), max_size=20),
            st.integers(-(2**62), 2**62),
            st.booleans(),
            st.binary(max_size=200) | st.just(journal_frames.MAGIC * 3),
            st.integers(0, 65535),
        ),
        max_size=8,
    )
)
@settings(max_examples=60, deadline=None)
def test_what_was_appended_comes_back(
    tmp_path_factory: pytest.TempPathFactory, messages: list[RawMessage]
) -> None:
    data = tmp_path_factory.mktemp("data")
    with Journal(data) as opened:
        for one in messages:
            opened.append(one)
    assert kept(data) == messages


def test_reading_goes_on_from_any_mark_across_segments(tmp_path: Path) -> None:
    messages = fill(tmp_path, 30, segment_bytes=200)
    entries = [e for e in read_from(tmp_path) if isinstance(e, Entry)]
    assert entries[-1].begin.segment > 5
    for taken, entry in enumerate(entries, start=1):
        assert kept(tmp_path, entry.end) == messages[taken:]
    ids = [e.begin.message_id for e in entries]
    assert ids == sorted(set(ids))
    assert Position.of_message_id(ids[7]) == entries[7].begin


def test_a_reader_stops_at_the_synced_end(tmp_path: Path) -> None:
    with Journal(tmp_path) as opened:
        opened.append(message(1))
        opened.sync()
        end = opened.end
        opened.append(message(2))
        opened.sync()
        assert [e.message for e in read_from(tmp_path, end=end)] == [message(1)]


def test_torn_at_every_offset_the_whole_frames_before_stay(tmp_path: Path) -> None:
    messages = fill(tmp_path, 3)
    path = newest_segment(tmp_path)
    whole = path.read_bytes()
    ends = [e.end.offset for e in read_from(tmp_path)]
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        path.with_suffix(".torn").unlink(missing_ok=True)
        good = sum(end <= size for end in ends)
        with Journal(tmp_path) as opened:
            assert opened.torn_bytes == size - max([0, *ends[:good]])
            opened.append(message(99))
        assert kept(tmp_path) == [*messages[:good], message(99)]
        torn = path.with_suffix(".torn")
        assert torn.exists() == (opened.torn_bytes > 0)
        if torn.exists():
            assert torn.read_bytes() == whole[max([0, *ends[:good]]) : size]
        newest_segment(tmp_path).unlink()


def test_one_bad_byte_anywhere_costs_one_frame_and_is_reported(tmp_path: Path) -> None:
    messages = fill(tmp_path, 3)
    path = newest_segment(tmp_path)
    whole = path.read_bytes()
    ends = [e.end.offset for e in read_from(tmp_path)]
    end = Position(1, len(whole))
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x40]) + whole[at + 1 :])
        hit = next(n for n, frame_end in enumerate(ends) if at < frame_end)
        read = list(read_from(tmp_path, end=end))
        assert [e.message for e in read if isinstance(e, Entry)] == (
            messages[:hit] + messages[hit + 1 :]
        )
        (damage,) = [e for e in read if isinstance(e, Damage)]
        begin = ends[hit - 1] if hit else 0
        assert (damage.begin.offset, damage.end.offset) == (begin, ends[hit])
        assert len(damage.raw) == ends[hit] - begin


def test_a_magic_inside_a_payload_is_not_taken_for_a_frame(tmp_path: Path) -> None:
    inner = journal_frames.encode([message(5)])
    with Journal(tmp_path) as opened:
        opened.append(message(1, inner))
        opened.append(message(2))
    assert kept(tmp_path) == [message(1, inner), message(2)]


def test_positions_are_never_used_again(tmp_path: Path) -> None:
    """After a power cut took the un-synced end, the store's mark may lie behind the file's end."""
    fill(tmp_path, 3)
    mark = [e.end for e in read_from(tmp_path)][-1]
    path = newest_segment(tmp_path)
    path.write_bytes(path.read_bytes()[:10])
    fill(tmp_path, 1)
    assert kept(tmp_path, mark) == [message(0)]
    for file in journal_frames.journal_folder(tmp_path).glob("*.journal"):
        file.unlink()
    with Journal(tmp_path, after_segment=mark.segment) as opened:
        opened.append(message(8))
    assert kept(tmp_path, mark) == [message(8)]


def test_a_second_ingest_is_refused_with_a_sentence(tmp_path: Path) -> None:
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, pathlib; from ingest.store.journal import Journal; "
            f"j = Journal(pathlib.Path({str(tmp_path)!r})); print('held', flush=True); "
            "sys.stdin.read()",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(JournalError, match=f"process {holder.pid}"):
            Journal(tmp_path)
    finally:
        holder.kill()
        holder.communicate()
    Journal(tmp_path).close()


def test_a_full_disk_keeps_what_waits_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real_write = os.write
    room = 150

    def write(descriptor: int, block: bytes) -> int:
        nonlocal room
        if room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        written = real_write(descriptor, bytes(block)[:room])
        room -= written
        return written

    with Journal(tmp_path) as opened:
        opened.append(message(1))
        opened.sync()
        monkeypatch.setattr(os, "write", write)
        opened.append(message(2))
        opened.append(message(3, b"x" * 500))
        for _ in range(3):
            with pytest.raises(DiskFull):
                opened.sync()
            assert kept(tmp_path) == [message(1)]
        room = 10_000
        opened.sync()
        assert kept(tmp_path) == [message(1), message(2), message(3, b"x" * 500)]


def test_a_failing_disk_is_an_error_and_nothing_half_written_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = Journal(tmp_path)
    opened.append(message(1))
    opened.sync()

    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fdatasync", fail)
        opened.append(message(2))
        with pytest.raises(JournalError, match="Input/output error"):
            opened.sync()
        assert kept(tmp_path) == [message(1)]
    opened.close()
    assert kept(tmp_path) == [message(1), message(2)]


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "journal").write_text("in the way")
    with pytest.raises(JournalError, match="cannot be written"):
        Journal(tmp_path)


def test_waiting_bytes_count_what_lies_behind_the_mark(tmp_path: Path) -> None:
    fill(tmp_path, 10, segment_bytes=200)
    entries = list(read_from(tmp_path))
    sizes = [e.end.offset - e.begin.offset for e in entries]
    for taken in range(10):
        mark = entries[taken].end
        assert journal_frames.waiting_bytes(tmp_path, mark) == sum(sizes[taken + 1 :])
