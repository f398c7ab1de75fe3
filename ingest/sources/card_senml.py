"""SenML logs from a card: a pack a line, RFC 7464 text sequences, or CBOR sequences (RFC 8742).

The same packs that a box would have sent. A line may have the CRC-32 trailer of a serial line. A
pack is read as over the network; only that a card has no arrival, so times relative to it cannot
be placed and their packs are refused.

Comes out as slices of a wide file: one row an instant. Where a channel has several values for one
instant, further rows hold them, to be compared when they are stored.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ingest.readings import RawMessage
from ingest.sources.card_columns import Column
from ingest.wire import cbor, reasons, rfc8428
from ingest.wire.columns import LINE_CUT, LINE_OPTIONAL, SENML_CBOR, ColumnDecoder
from ingest.wire.framing import LineSplitter
from ingest.wire.senml import AHEAD_US, Slot

if TYPE_CHECKING:
    import polars as pl

#: Packs are decoded and stored in slices of this. In memory a slice takes about ten times as much.
#: [bytes]
SLICE_BYTES = 16 << 20
_BLOCK_BYTES = 1 << 20
# A pack of the largest size that is read, and its trailer.
_LONGEST = rfc8428.MAX_MESSAGE_BYTES + 16
#: Of what cannot be read this much is kept in quarantine. [bytes]
_KEPT_BYTES = 1 << 16

RELATIVE_ON_CARD = "a time relative to arrival, which a card has not"


class _Pack(NamedTuple):
    """A pack as it stands on the card: its line or number, and what it is."""

    line: int
    kind: str
    payload: bytes


class Rows(NamedTuple):
    """Some instants of a card, in the form of :class:`ingest.sources.files.Slice`."""

    columns: tuple[Column, ...]
    frame: pl.DataFrame
    done: float


def is_senml(head: bytes) -> bool:
    """Whether a file that begins so is a SenML log.

    Parameters
    ----------
    head : bytes
        Its first bytes.

    Examples
    --------
    >>> is_senml(b'[{"n"'), is_senml(bytes([0x82, 0xA2])), is_senml(b"time,pot_kpa")
    (True, True, False)
    """
    return head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"[", b"\x1e") or _is_cbor(head)


def _is_cbor(head: bytes) -> bool:
    # Arrays of CBOR begin with 0x80 to 0x9B, or 0x9F; in UTF-8 no text begins so.
    return bool(head) and (0x80 <= head[0] <= 0x9B or head[0] == 0x9F)


def rows_of_log(path: Path, pot: str, latest_us: int) -> Iterator[Rows]:
    """The readings of a SenML log, slice by slice.

    Parameters
    ----------
    path : Path
        The file.
    pot : str
        The pot the card was on; packs that speak of another are refused.
    latest_us : int
        Later instants are a clock that is wrong. [us since 1970 UTC]

    Returns
    -------
    iterator of Rows
        Memory does not grow with the file.
    """
    size = max(path.stat().st_size, 1)
    decoder = ColumnDecoder()
    with path.open("rb") as file:
        packs = _cbor_packs(file) if _is_cbor(file.peek(1)[:1]) else _lines(file)
        pending: list[_Pack] = []
        held = 0
        for pack in packs:
            pending.append(pack)
            held += len(pack.payload)
            if held >= SLICE_BYTES:
                yield _rows(decoder, pending, pot, latest_us, min(file.tell() / size, 1.0))
                pending, held = [], 0
        if pending:
            yield _rows(decoder, pending, pot, latest_us, 1.0)


def _lines(file: io.BufferedReader) -> Iterator[_Pack]:
    splitter = LineSplitter(_LONGEST)
    number = 0
    while True:
        block = file.read(_BLOCK_BYTES)
        for line in splitter.feed(block) if block else splitter.close():
            number += 1
            yield _Pack(number, LINE_CUT if line.cut else LINE_OPTIONAL, line.raw)
        if not block:
            return


def _cbor_packs(file: io.BufferedReader) -> Iterator[_Pack]:
    number = 0
    while True:
        number += 1
        begin = file.tell()
        try:
            cbor.next_item(file)
        except EOFError:
            return
        except cbor.NotCbor:
            # Where the next item would begin cannot be known.
            file.seek(begin)
            yield _Pack(number, "application/senml+cbor", file.read(_KEPT_BYTES))
            return
        end = file.tell()
        file.seek(begin)
        yield _Pack(number, "application/senml+cbor", file.read(end - begin))


def _rows(
    decoder: ColumnDecoder, packs: list[_Pack], pot: str, latest_us: int, done: float
) -> Rows:
    import polars as pl

    # As if it had arrived when it was brought in: so what lies ahead of that is refused.
    arrived_us = latest_us - round(AHEAD_US)
    decoded = decoder.decode(
        [RawMessage("card", "", pack.kind, arrived_us, False, pack.payload) for pack in packs]
    )
    ours = np.array([slot.pot == pot for slot in decoded.slots], np.bool_)
    lines = np.array([pack.line for pack in packs], np.int64)
    placed = ~np.isin(decoded.message, list(decoded.relative))
    kept = placed & ours[decoded.slot] if decoded.slots else placed
    columns, number_of = _columns([s for s, own in zip(decoded.slots, ours, strict=True) if own])
    column_of_slot = np.array([number_of.get(_key(s), -1) for s in decoded.slots], np.int64)
    numbers = pl.DataFrame(
        {
            "line": lines[decoded.message[kept]],
            "at_us": decoded.at_us[kept],
            "column": column_of_slot[decoded.slot[kept]],
            "value": decoded.value[kept],
        }
    )
    texts = pl.DataFrame(
        [
            (packs[t.message].line, t.at_us, number_of[_key(decoded.slots[t.slot])], t.text)
            for t in decoded.texts
            if ours[t.slot] and t.message not in decoded.relative
        ],
        schema={"line": pl.Int64, "at_us": pl.Int64, "column": pl.Int64, "text": pl.String},
        orient="row",
    )
    refused = [(m, reject.reason) for m, reject in decoded.rejects]
    refused += [(m, RELATIVE_ON_CARD) for m in decoded.relative]
    if decoded.slots:
        elsewhere = np.unique(decoded.message[~ours[decoded.slot] & placed]).tolist()
        refused += [(m, reasons.POT_ELSEWHERE) for m in elsewhere]
    bad = pl.DataFrame(
        [(packs[m].line, reason, _as_text(packs[m])) for m, reason in sorted(refused)],
        schema={"line": pl.Int64, "reason": pl.String, "raw": pl.String},
        orient="row",
    )
    return Rows(columns, _framed(columns, numbers, texts, bad), done)


def _as_text(pack: _Pack) -> str:
    """What quarantine keeps of a pack: its text, or its bytes in hexadecimal digits."""
    if pack.kind in SENML_CBOR:
        return pack.payload[: _KEPT_BYTES // 2].hex()
    return pack.payload[:_KEPT_BYTES].decode("utf-8", errors="replace")


def _key(slot: Slot) -> tuple[str, str]:
    return slot.channel, slot.unit


def _columns(slots: list[Slot]) -> tuple[tuple[Column, ...], dict[tuple[str, str], int]]:
    """One column a channel and kept unit; several units sent may be kept in one."""
    number_of: dict[tuple[str, str], int] = {}
    columns: list[Column] = []
    for slot in slots:
        if _key(slot) not in number_of:
            number_of[_key(slot)] = len(columns)
            columns.append(
                Column(
                    slot.channel, slot.channel, slot.unit, 1.0, 0.0, False, slot.known, slot.unit
                )
            )
    return tuple(columns), number_of


def _framed(
    columns: tuple[Column, ...], numbers: pl.DataFrame, texts: pl.DataFrame, bad: pl.DataFrame
) -> pl.DataFrame:
    """One row an instant, further rows for further values of it, and the refused behind."""
    import polars as pl

    frame = numbers.select("line", "at_us").head(0).with_columns(turn=pl.lit(0, pl.Int64)).head(0)
    for readings, prefix, what in ((numbers, "c", "value"), (texts, "t", "text")):
        if readings.is_empty():
            continue
        turned = readings.with_columns(
            turn=pl.int_range(pl.len()).over("at_us", "column").cast(pl.Int64)
        )
        lines = turned.group_by("at_us", "turn").agg(pl.col("line").min())
        for number in range(len(columns)):
            if prefix == "t" and columns[number].known:
                continue
            own = turned.filter(pl.col("column") == number)
            own = own.select("at_us", "turn", pl.col(what).alias(f"{prefix}{number}"))
            lines = lines.join(own, on=["at_us", "turn"], how="left")
        frame = (
            lines
            if frame.is_empty()
            else frame.join(lines, on=["at_us", "turn"], how="full", coalesce=True).with_columns(
                line=pl.coalesce("line", "line_right")
            )
        )
    for number, column in enumerate(columns):
        if f"c{number}" not in frame.columns:
            frame = frame.with_columns(pl.lit(None, pl.Float64).alias(f"c{number}"))
        if not column.known and f"t{number}" not in frame.columns:
            frame = frame.with_columns(pl.lit(None, pl.String).alias(f"t{number}"))
    values = [f"c{n}" for n in range(len(columns))]
    values += [f"t{n}" for n, column in enumerate(columns) if not column.known]
    good = frame.sort("at_us", "turn").select(
        "line",
        pl.col("at_us").cast(pl.Datetime("us")).alias("sampled_at"),
        pl.lit(None, pl.String).alias("reason"),
        pl.lit(None, pl.String).alias("raw"),
        *values,
    )
    return pl.concat([good, bad], how="diagonal")
