"""What a page says, for the tests that read it."""

from __future__ import annotations

import html
import re

from streamlit.testing.v1 import AppTest

from dashboard import words


def markup(app: AppTest) -> str:
    """The HTML of a page, but for its style sheet."""
    pieces = [element.proto.body for element in app.get("html")]
    return "\n".join(piece for piece in pieces if not piece.startswith("<style>"))


def text(app: AppTest) -> str:
    """What a page says, as it is read out: without what is hidden from readers, spaces alike."""
    said = re.sub(r'<span aria-hidden="true">[^<]*</span>', "", markup(app))
    plain = html.unescape(re.sub(r"<[^>]+>", " ", said))
    return re.sub(r"\s+", " ", plain.replace(words.NBSP, " ").replace("\u202f", " "))
