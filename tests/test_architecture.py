"""The arrows between the packages, and which imports stay light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("ingest", "analytics", "dashboard", "simulated_feeds")

#: Package -> those of our packages that it may import.
ARROWS = {
    "ingest": {"ingest"},
    "analytics": {"analytics", "ingest"},
    "dashboard": {"dashboard", "analytics", "ingest"},
    "simulated_feeds": {"simulated_feeds"},
}


def imported(path: Path) -> set[str]:
    """First names of all that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return names


def files_of(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("package", PACKAGES)
def test_arrows_point_one_way(package: str) -> None:
    assert files_of(package)
    for path in files_of(package):
        ours = imported(path) & set(PACKAGES)
        assert ours <= ARROWS[package], f"{path.relative_to(ROOT)} imports {ours}"


def test_only_readers_and_composers_touch_the_store() -> None:
    allowed = {
        "frames.py", "condition_frames.py", "part_frames.py", "notice_frames.py",
        "entry_frames.py", "use_frames.py", "pipeline.py", "weighing.py", "noticing.py",
        "figures.py", "part_rows.py", "sheets.py", "upkeep_ahead.py",
        "box_frames.py", "heard.py", "pieces.py", "piece_frames.py", "cluster.py",
        "summaries.py", "summary_entries.py", "day_reading.py", "notice_since.py",
        "trouble_kept.py", "record_frames.py", "writing.py", "spell_looks.py",
    }  # fmt: skip
    for path in files_of("analytics"):
        text = path.read_text(encoding="utf-8")
        if path.name not in allowed:
            assert "duckdb" not in text and "ingest.store" not in text, path.name


def test_only_the_supervisor_of_analyses_reads_the_clock() -> None:
    for path in files_of("analytics"):
        text = path.read_text(encoding="utf-8")
        if path.name != "pipeline.py":
            assert ".now(" not in text and "time.time(" not in text, path.name


def test_dashboard_files_do_not_shadow_packages() -> None:
    # `streamlit run` puts the folder of the script first on the path.
    shadowing = set(sys.stdlib_module_names) | set(PACKAGES)
    for path in (ROOT / "dashboard").iterdir():
        assert path.stem not in shadowing, path.name


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("ingest.store.connection", ("serial", "paho", "polars", "streamlit", "duckdb")),
        ("ingest.readings", ("serial", "paho", "polars", "streamlit", "duckdb", "pydantic")),
        ("dashboard.cli", ("serial", "paho", "polars", "streamlit", "duckdb", "numpy", "pydantic")),
        # A round of deriving with nothing new shall not wait for these.
        ("analytics.pipeline", ("numba", "scipy.stats", "scipy.signal", "scipy.optimize")),
        ("analytics.noticing", ("scipy.stats", "scipy.signal", "scipy.optimize")),
    ],
)
def test_light_imports_stay_light(module: str, heavy: tuple[str, ...]) -> None:
    code = f"import sys, {module}; print(' '.join(m for m in {heavy!r} if m in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == ""
