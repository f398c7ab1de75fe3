"""Keeps each pot's spans of trouble and blocks, and goes on with them from where nothing changed.

At pauses between spells it is kept how charts and spans stood (``chart_left``), with a digest of
the weighed spells and the fitted parts before. What was last kept with the same digest still
holds, so only what came later is looked through; the older the pauses, the fewer of them are kept,
for what changes is mostly new.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from analytics import condition_frames, notice_frames
from analytics.indicators import BLOCK_PAUSE, ReckonWholly
from analytics.rule_condition import KEPT, kept_blocks
from analytics.trouble_history import from_text, looked_through, pauses, to_text
from analytics.trouble_spans import SPANS_VERSION
from analytics.writing import insert
from ingest.parts import RULE_INDICATORS

if TYPE_CHECKING:
    import duckdb

    from analytics.condition_frames import SpellsDigest

#: How long before the newest pause others are looked for when all is reckoned. [days]
_LOOKED_BACK = (1, 30)
#: Of the pauses kept, the next older one is at most so many times as old. [-]
_THINNED = 4
_MICROSECOND = dt.timedelta(microseconds=1)


class _Left(NamedTuple):
    """A row of ``chart_left`` without its pot; ``state`` is read when it is wanted."""

    to_at: dt.datetime
    spells: int
    digest: str
    fitted: str


class Troubles(NamedTuple):
    """A pot's trouble, as found.

    Parameters
    ----------
    made_of : str
        What it was found from.
    after_at : datetime or None
        What ended up to then stays as it was kept; ``None``: nothing.
    spans, blocks : polars.DataFrame
        ``SPAN_SCHEMA`` of all spans, and ``BLOCK_SCHEMA`` after ``after_at``.
    newest_at : datetime or None
        The newest block of all.
    left : polars.DataFrame
        Rows of ``chart_left`` that are new.
    stay : list of datetime
        ``to_at`` of those that stay.
    """

    made_of: str
    after_at: dt.datetime | None
    spans: pl.DataFrame
    blocks: pl.DataFrame
    newest_at: dt.datetime | None
    left: pl.DataFrame
    stay: list[dt.datetime]


def made_of(spells: SpellsDigest | None, fitted: pl.DataFrame) -> str:
    """A text that changes with what a pot's spans of trouble rest on."""
    rests_on = (SPANS_VERSION, spells and tuple(spells), *fitted.iter_rows())
    return hashlib.sha256(repr(rests_on).encode()).hexdigest()[:32]


def find(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    spells: SpellsDigest,
    fitted: pl.DataFrame,
    *,
    full: bool = False,
) -> Troubles:
    """Find a pot's trouble anew.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot.
    spells : SpellsDigest
        Of all its spells.
    fitted : polars.DataFrame
        ``part`` and ``at`` (naive UTC) of parts fitted, in order.
    full : bool
        From the first cycle on, whatever is kept.
    """
    lefts = [] if full else _lefts(con, pot_id)
    for number, left in enumerate(lefts):
        if not _holds(con, pot_id, left, spells, fitted):
            continue
        try:
            return _from(con, pot_id, spells, fitted, lefts[number:])
        except ReckonWholly:
            break
    return _from(con, pot_id, spells, fitted, [])


def put(con: duckdb.DuckDBPyConnection, pot_id: int, found: Troubles) -> None:
    """Write what was found; ``con`` is an open write window."""
    after_at, pot = found.after_at, pl.lit(pot_id, pl.Int16).alias("pot_id")
    spans = found.spans
    if after_at is not None:
        spans = spans.filter(pl.col("to_at").is_null() | (pl.col("to_at") > after_at))
    con.execute(
        "DELETE FROM trouble_span WHERE pot_id = $pot "
        "AND ($after IS NULL OR to_at IS NULL OR to_at > $after)",
        {"pot": pot_id, "after": after_at},
    )
    insert(con, "trouble_span", spans.with_columns(pot))
    con.execute(
        "DELETE FROM indicator_block WHERE pot_id = $pot "
        "AND ($after IS NULL OR block_at > $after OR block_at < $kept)",
        {"pot": pot_id, "after": after_at, "kept": found.newest_at and found.newest_at - KEPT},
    )
    insert(con, "indicator_block", found.blocks.with_columns(pot).rename({"at": "block_at"}))
    con.execute(
        "DELETE FROM chart_left WHERE pot_id = $pot AND NOT list_contains($stay, to_at)",
        {"pot": pot_id, "stay": found.stay},
    )
    insert(con, "chart_left", found.left.with_columns(pot))
    con.execute(
        "INSERT OR REPLACE INTO trouble_state VALUES ($pot, $made_of)",
        {"pot": pot_id, "made_of": found.made_of},
    )


def _lefts(con: duckdb.DuckDBPyConnection, pot_id: int) -> list[_Left]:
    rows = con.execute(
        "SELECT to_at, spells, digest, fitted FROM chart_left WHERE pot_id = $pot "
        "ORDER BY to_at DESC",
        {"pot": pot_id},
    ).fetchall()
    return [_Left(*row) for row in rows]


def _holds(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    left: _Left,
    spells: SpellsDigest,
    fitted: pl.DataFrame,
) -> bool:
    """Whether nothing up to a pause has changed, and the pause is still one."""
    if left.fitted != _fitted_up_to(fitted, left.to_at):
        return False
    before = _spells_up_to(con, pot_id, spells, left.to_at)
    if (left.spells, left.digest) != (before.spells, str(before.digest)):
        return False
    ((next_at,),) = con.execute(
        "SELECT min(pressed_at) FROM condition WHERE pot_id = $pot AND pressed_at > $at",
        {"pot": pot_id, "at": left.to_at},
    ).fetchall()
    return next_at is None or next_at - left.to_at > BLOCK_PAUSE


def _spells_up_to(
    con: duckdb.DuckDBPyConnection, pot_id: int, spells: SpellsDigest, at: dt.datetime
) -> SpellsDigest:
    later = condition_frames.spells_digest(con, pot_id, at).get(pot_id)
    return spells if later is None else spells.less(later)


def _fitted_up_to(fitted: pl.DataFrame, at: dt.datetime) -> str:
    return made_of(None, fitted.filter(pl.col("at") <= at))


def _from(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    spells: SpellsDigest,
    fitted: pl.DataFrame,
    lefts: list[_Left],
) -> Troubles:
    """Go on from the first of what is left, or from the first cycle on."""
    before, after_at, older = None, None, []
    if lefts:
        after_at = lefts[0].to_at
        ((text,),) = con.execute(
            "SELECT state FROM chart_left WHERE pot_id = $pot AND to_at = $at",
            {"pot": pot_id, "at": after_at},
        ).fetchall()
        before = from_text(text)
        if learning := before.learning:
            begin = min(learning.values())
            older.append(
                condition_frames.charted_conditions(con, pot_id, begin, after_at, learning)
            )
    later = condition_frames.charted_conditions(con, pot_id, after_at and after_at + _MICROSECOND)
    conditions = pl.concat([*older, later], how="diagonal")
    cuts = _cuts(pauses(later))
    changes, spans, states = looked_through(conditions, fitted, cuts, before)
    newest_at = changes["at"].max()
    if before is not None and newest_at is None:
        newest_at = before.spans.newest_at
    assert newest_at is None or isinstance(newest_at, dt.datetime)
    if before is not None:
        _blocks_reach(con, pot_id, newest_at)
        kept = notice_frames.trouble_spans(con, pot_id).filter(pl.col("to_at") <= after_at)
        spans = pl.concat([kept, spans]).sort("from_at", "trouble")
    rows = []
    for state in states:
        assert state.to_at is not None
        held = _spells_up_to(con, pot_id, spells, state.to_at)
        rows.append(
            (state.to_at, held.spells, str(held.digest), _fitted_up_to(fitted, state.to_at),
             to_text(state))
        )  # fmt: skip
    text, instant = pl.String(), pl.Datetime("us")
    schema = {
        "to_at": instant, "spells": pl.Int64(), "digest": text, "fitted": text, "state": text
    }  # fmt: skip
    left = pl.DataFrame(rows, schema=schema, orient="row")
    stay = _thinned([*left["to_at"], *(left.to_at for left in lefts)])
    return Troubles(
        made_of(spells, fitted),
        after_at,
        spans,
        kept_blocks(changes, RULE_INDICATORS),
        newest_at,
        left.filter(pl.col("to_at").is_in(stay)),
        [at for at in stay if at not in set(left["to_at"])],
    )


def _blocks_reach(
    con: duckdb.DuckDBPyConnection, pot_id: int, newest_at: dt.datetime | None
) -> None:
    """Blocks are kept for some time before the newest: it must not be an older one than it was."""
    ((was_at,),) = con.execute(
        "SELECT max(block_at) FROM indicator_block WHERE pot_id = $pot", {"pot": pot_id}
    ).fetchall()
    if was_at is not None and (newest_at is None or newest_at < was_at):
        raise ReckonWholly


def _cuts(found_at: list[dt.datetime]) -> list[dt.datetime]:
    """The newest pause, and the last before each of ``_LOOKED_BACK``; ascending."""
    cuts: set[dt.datetime] = set()
    for days in (0, *_LOOKED_BACK):
        cuts.update([at for at in found_at if at <= found_at[-1] - dt.timedelta(days=days)][-1:])
    return sorted(cuts)


def _thinned(ats: list[dt.datetime]) -> list[dt.datetime]:
    """Those pauses that are kept, newest first."""
    newest_first = sorted(set(ats), reverse=True)
    kept = newest_first[:2]
    for at, older_at in itertools.pairwise(newest_first[2:]):
        if newest_first[0] - older_at > _THINNED * (newest_first[0] - kept[-1]):
            kept.append(at)
    return kept + newest_first[2:][-1:]
