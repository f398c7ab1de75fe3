"""Where in a TOML text a key stands.

``tomllib`` forgets positions, so a fault found later in the values could not name its line. The
text is parsed a second time, with tree-sitter, and only when there is a fault to place.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Node

Path = tuple[str | int, ...]


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """The line on which a key stands, or the nearest thing around it that is there.

    Parameters
    ----------
    text : str
        TOML that ``tomllib`` accepts.
    path : sequence of str or int
        Keys and list positions, such as ``("pot", 1, "plate_pa")``.

    Returns
    -------
    int or None
        Line, counted from 1. For a key that is missing: the line of the table it is missing from.
        ``None`` where not even its first step is in the text.

    Examples
    --------
    >>> line_of('[site]\\nname = "yard"\\n', ("site", "name"))
    2
    >>> line_of('[site]\\nname = "yard"\\n', ("site", "title"))
    1
    """
    lines = _lines(text)
    for length in range(len(path), 0, -1):
        found = lines.get(tuple(path[:length]))
        if found is not None:
            return found
    return None


def _lines(text: str) -> dict[Path, int]:
    import tree_sitter_toml
    from tree_sitter import Language, Parser

    tree = Parser(Language(tree_sitter_toml.language())).parse(text.encode())
    lines: dict[Path, int] = {}
    array_lengths: dict[Path, int] = {}
    for node in tree.root_node.named_children:
        if node.type == "pair":
            _note_pair(node, (), lines)
        elif node.type in ("table", "table_array_element"):
            key_node = node.named_children[0]
            # A header such as [[pot.part]] means the last [[pot]] so far: each step that is an
            # array of tables gets the number of its newest element.
            path: Path = ()
            steps = keys_of(key_node)
            for position, key in enumerate(steps):
                path = (*path, key)
                last = position == len(steps) - 1
                if last and node.type == "table_array_element":
                    index = array_lengths.get(path, 0)
                    array_lengths[path] = index + 1
                    lines.setdefault(path, _line(node))
                    path = (*path, index)
                elif path in array_lengths:
                    path = (*path, array_lengths[path] - 1)
                lines.setdefault(path, _line(node))
            for child in node.named_children[1:]:
                if child.type == "pair":
                    _note_pair(child, path, lines)
    return lines


def _note_pair(pair: Node, base: Path, lines: dict[Path, int]) -> None:
    key_node, value = pair.named_children[0], pair.named_children[1]
    path = base
    for key in keys_of(key_node):
        path = (*path, key)
        lines.setdefault(path, _line(pair))
    _note_value(value, path, lines)


def _note_value(value: Node, path: Path, lines: dict[Path, int]) -> None:
    if value.type == "inline_table":
        for child in value.named_children:
            if child.type == "pair":
                _note_pair(child, path, lines)
    elif value.type == "array":
        elements = [child for child in value.named_children if child.type != "comment"]
        for index, element in enumerate(elements):
            lines.setdefault((*path, index), _line(element))
            _note_value(element, (*path, index), lines)


def keys_of(node: Node) -> list[str]:
    """The keys that a key's node names, from the outside in; several where dots are between."""
    if node.type == "dotted_key":
        return [key for child in node.named_children for key in keys_of(child)]
    text = (node.text or b"").decode()
    if node.type == "quoted_key":
        import tomllib

        return [next(iter(tomllib.loads(f"{text} = 0")))]
    return [text]


def _line(node: Node) -> int:
    return node.start_point[0] + 1
