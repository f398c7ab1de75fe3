"""More: the pages that the bar of a phone has no room for."""

from __future__ import annotations

from dashboard import look, navigation


def page() -> None:
    """The rest of the pages, each with what it is for."""
    look.put(look.title("More", "What is not needed in every shift."))
    navigation.all_ways()


if __name__ == "__main__":
    page()
