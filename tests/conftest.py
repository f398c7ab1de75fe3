"""What tests of several packages share."""

from __future__ import annotations

import functools
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

# Before anything loads NumPy. Its threads wait by spinning: with two tests at a time on two cores
# small matrices take many times as long with them as without.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import polars as pl
import pytest
import typer.testing
import yards
from hypothesis import HealthCheck, settings

from ingest.config import Yard, parse_yard
from ingest.store import connection
from ingest.store.connection import store_path, write_window
from ingest.store.sample_rows import add_samples

# A busy computer is slow, and that is no fault of what is tested.
settings.register_profile("ours", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ours")

_YARD = (
    yards.site()
    + yards.pot()
    + yards.pot("pot-2", volume_m3="0.085", plate_pa=862_000)
    + yards.box()
    + yards.box("box-2", "pot-2", ("supply", "pot", "deadman"))
)

PutSamples = Callable[[Path, str, pl.DataFrame], None]


_TESTS = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what compiles nearly all loops, and with what needs none of them beside it.

    Where nothing is kept of them yet, as in a fresh checkout, compiling takes more than a minute;
    and two processes that need the same loops at a time both compile them.
    """

    def turn(item: pytest.Item) -> int:
        if item.path == _TESTS / "analytics" / "test_cluster.py":
            return 0
        return 1 if item.path.is_relative_to(_TESTS / "ingest") else 2

    items.sort(key=turn)


@pytest.fixture(autouse=True)
def main_module() -> Iterator[None]:
    """Put ``__main__`` back: Streamlit's AppTest leaves the page's script there.

    A process that multiprocessing spawns later would run that script first.
    """
    main = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = main


@pytest.fixture(scope="session", autouse=True)
def commands_put_together_once() -> Iterator[None]:
    """Let a program's commands be put together once, as a process that runs one does.

    For each call that a test makes Typer would read the signatures of all of them anew.
    """
    once = functools.cache(typer.testing._get_command)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.testing, "_get_command", once)
        yield


MakeStore = Callable[[Path], None]


@pytest.fixture(scope="session", autouse=True)
def new_stores_are_copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakeStore]:
    """Give each new store of this process a copy of the first one; gives what makes one anew.

    Making one takes a tenth of a second, most of it for the schema, and a thousand tests want one.
    The first is made by what is tested, and so is each of a process that a test starts.
    """
    first = store_path(tmp_path_factory.mktemp("first-store"))
    made_anew: MakeStore = connection._make_store
    with write_window(first.parent):
        pass

    def make_store(path: Path) -> None:
        # As one made anew: whole from the first, and where another was first its store stays.
        copy = path.with_name(f"{path.name}.{os.getpid()}.new")
        shutil.copyfile(first, copy)
        with suppress(FileExistsError):
            os.link(copy, path)
        copy.unlink()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(connection, "_make_store", make_store)
        yield made_anew


@pytest.fixture
def stores_made_anew(new_stores_are_copies: MakeStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make each store anew, for tests that are about that."""
    monkeypatch.setattr(connection, "_make_store", new_stores_are_copies)


@pytest.fixture(scope="session")
def yard() -> Yard:
    """A yard with two pots and a box on each; it is frozen all through."""
    return parse_yard(_YARD)


@pytest.fixture(scope="session")
def put_samples() -> PutSamples:
    """Put rows straight into ``sample``, with the ``touched`` row that a writer would add."""

    def put(data: Path, pot: str, frame: pl.DataFrame) -> None:
        with write_window(data) as con:
            con.execute(
                "INSERT INTO pot SELECT coalesce(max(pot_id), 0) + 1, $pot FROM pot "
                "HAVING NOT coalesce(bool_or(pot = $pot), false)",
                {"pot": pot},
            )
            ((pot_id,),) = con.execute(
                "SELECT pot_id FROM pot WHERE pot = $p", {"p": pot}
            ).fetchall()
            rows = frame.with_columns(
                pl.lit(pot_id, pl.Int16).alias("pot_id"),
                pl.col("sampled_at").alias("arrived_at"),
                pl.lit(0, pl.Int32).alias("quality"),
                pl.lit(0, pl.Int64).alias("message_id"),
            )
            con.register("incoming", rows.to_arrow())
            add_samples(con, rows)
            con.execute(
                "INSERT INTO touched SELECT nextval('touched_number'), $pot, min(sampled_at), "
                "max(sampled_at) FROM incoming",
                {"pot": pot_id},
            )
            con.unregister("incoming")

    return put
