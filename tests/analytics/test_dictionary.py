"""The data dictionary holds every exported column, no other, and its document is up to date."""

from __future__ import annotations

from pathlib import Path

from analytics.dictionary import COLUMNS, TABLES, as_markdown
from analytics.exports import TABLE_COLUMNS

DOCUMENT = Path(__file__).resolve().parents[2] / "analytics" / "DATA_DICTIONARY.md"


def test_every_exported_column_stands_in_the_dictionary_and_no_other() -> None:
    assert set(TABLES) == set(TABLE_COLUMNS)
    exported = {name for columns in TABLE_COLUMNS.values() for name in columns}
    assert exported == set(COLUMNS)


def test_a_columns_name_carries_its_unit() -> None:
    ends = {"_m2": "m2", "_s": "s", "_pa": "Pa", "_kg": "kg", "_m": "m", "_at": "UTC", "_l": "l"}
    prices = {"price_kg"}
    for name, column in COLUMNS.items():
        for end, unit in ends.items():
            if name.endswith(end) and name not in prices:
                assert column.unit == unit, name
        assert column.meaning.endswith("."), name


def test_the_document_is_what_the_table_says() -> None:
    assert DOCUMENT.read_text(encoding="utf-8").rstrip("\n") == as_markdown().rstrip("\n")
