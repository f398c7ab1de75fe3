"""Help: what every figure is, a way through the pages for each role, and the words of the trade."""

from __future__ import annotations

import streamlit as st

from analytics.dictionary import COLUMNS
from dashboard import help_words as told
from dashboard import look, navigation, spoken, words

#: Key in the address that names the figure asked about.
ASKED = "figure"


def page() -> None:
    """Help."""
    look.put(
        look.title(
            "Help",
            "What every figure is, what it rests on, when not to trust it, and what to do with it.",
        ),
        look.caution(),
    )
    asked = st.query_params.get(ASKED, "")
    if asked:
        _asked(asked)
    looked_for = st.text_input(
        "Find a figure or a word", key="help-find", placeholder="such as pinch cycles, low, air",
        max_chars=60,
    ).strip()  # fmt: skip
    if looked_for:
        _found(looked_for)
        return
    _roles()
    _figures()
    _list("How to reach the reading behind a figure", "", "behind", told.BEHIND_A_FIGURE, "ol")
    _glossary(told.GLOSSARY)
    _list("What no figure says", "Stands on every page that touches pressure, in short.",
          "cautions", told.CAUTIONS, "ul")  # fmt: skip


# --- figures ---------------------------------------------------------------------------------


def _asked(key: str) -> None:
    """The figure that another page asked about, before everything else."""
    if key not in told.figures():
        look.put(
            look.note(
                "There is no help on that figure.",
                "Find it below by the word that the page has for it.",
            )
        )
        return
    look.put(f'<div class="gb-card gb-asked">{_entry(key, heading="h2")}</div>')
    with st.container(key="help-back", horizontal=True):
        for path in ("now", "shift", "condition", "upkeep"):
            way = next(one for one in navigation.PAGES if one.path == path)
            st.page_link(
                way.file, label=f"Back to {way.title.lower()}",
                query_params=navigation.carried(),
            )  # fmt: skip


def _entry(key: str, heading: str = "h3") -> str:
    one = told.figures()[key]
    rows = [
        ("What it is", told.meaning(key)),
        ("From what", one.made_of),
        ("Low and high", one.range_is or "It has none."),
        ("When not to trust it", one.doubt),
        ("What to do with it", one.act),
    ]
    if one.labels:
        rows.append(("Pages also call it", "; ".join(one.labels)))
    column = key if one.of in (told.DICTIONARY, told.INDICATOR) else ""
    if column in COLUMNS:
        unit = COLUMNS[column].unit
        rows.append(("In exports", f"{column}{f', in {unit}' if unit else ''}"))
    said = "".join(
        f"<dt>{look.shown(what)}</dt><dd>{look.shown(spoken.page_units(text))}</dd>"
        for what, text in rows
        if text
    )
    anchor = f"figure-{key}" if heading == "h3" else "asked"
    return (
        f'<section class="gb-help" id="{look.shown(anchor)}">'
        f"<{heading}>{look.shown(one.title)}</{heading}><dl>{said}</dl></section>"
    )


def _figures() -> None:
    look.put(look.heading("Every figure", "By what it is about.", "figures"))
    entries = told.figures()
    for group, called in told.GROUPS.items():
        keys = [key for key, one in entries.items() if one.group == group]
        with st.expander(f"{called} ({len(keys)})"):
            look.put(*(_entry(key) for key in keys))


def _found(looked_for: str) -> None:
    """Entries and words in which what was typed stands."""
    needle = looked_for.lower()
    entries = told.figures()
    keys = [key for key in entries if needle in _text(key)]
    # A figure that is called so comes before one that only mentions it.
    keys.sort(key=lambda key: needle not in _called(key))
    glossary = {
        word: means
        for word, means in told.GLOSSARY.items()
        if needle in word.lower() or needle in means.lower()
    }
    if not keys and not glossary:
        look.put(
            look.note(
                f"Nothing here has “{looked_for}” in it.",
                "Try one word, as a page writes it, or clear the field to see everything.",
            )
        )
        return
    if keys:
        number = words.counted(len(keys), "figure", "figures")
        look.put(look.heading(f"Found: {number}"), *(_entry(key) for key in keys))
    if glossary:
        _glossary(glossary)


def _called(key: str) -> str:
    one = told.figures()[key]
    return " ".join((one.title, *one.labels)).lower()


def _text(key: str) -> str:
    one = told.figures()[key]
    said = (key, told.meaning(key), one.made_of, one.range_is, one.doubt, one.act)
    return f"{_called(key)} {' '.join(said).lower()}"


# --- the rest --------------------------------------------------------------------------------


def _roles() -> None:
    look.put(look.heading("A way through the pages", "By what you are here for.", "roles"))
    for role, tab in zip(told.ROLES, st.tabs(list(told.ROLES)), strict=True):
        with tab:
            for number, (what, path) in enumerate(told.ROLES[role], start=1):
                way = next(one for one in navigation.PAGES if one.path == path)
                with st.container(key=f"help-way-{role.lower().replace(' ', '-')}-{number}"):
                    look.put(f'<p class="gb-walk"><b>{number}.</b> {look.shown(what)}</p>')
                    st.page_link(way.file, label=way.title, query_params=navigation.carried())


def _glossary(glossary: dict[str, str]) -> None:
    rows = "".join(
        f"<dt>{look.shown(word)}</dt><dd>{look.shown(means)}</dd>"
        for word, means in glossary.items()
    )
    look.put(
        look.heading("Words", "Of the trade and of standards, as the pages use them.", "words"),
        f'<dl class="gb-glossary">{rows}</dl>',
    )


def _list(title: str, under: str, anchor: str, said: tuple[str, ...], kind: str) -> None:
    items = "".join(f"<li>{look.shown(text)}</li>" for text in said)
    look.put(look.heading(title, under, anchor), f'<{kind} class="gb-questions">{items}</{kind}>')


if __name__ == "__main__":
    page()
