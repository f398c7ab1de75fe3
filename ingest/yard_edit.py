"""Changes of a yard file's text that leave every other byte, comment and order as they were.

Pure functions from text to text. Where a key stands is found with tree-sitter; what came out is
read again with ``tomllib`` and compared with what was meant, so that a text is given back only if
it says exactly that.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ingest.errors import YardFileError
from ingest.toml_lines import keys_of

if TYPE_CHECKING:
    from tree_sitter import Node

#: Steps to a table or a value: keys, and list positions counted from 0.
Path = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class SetKey:
    """Give a key of a table a value; ``None`` takes the key away.

    Parameters
    ----------
    table : tuple
        Path to the table, such as ``("pot", 1)`` or ``("site",)``. A table that is not there yet
        is made where its path has no list position.
    key : str
        The key.
    value : object
        Text, number, truth, date, time or a list of those; ``None``: the key goes.
    """

    table: Path
    key: str
    value: Any


@dataclass(frozen=True)
class AddTable:
    """Add an entry to an array of tables, such as another ``[[pot]]``.

    Parameters
    ----------
    array : tuple
        Path to the array, such as ``("pot",)`` or ``("transducer", 0, "calibration")``.
    values : mapping
        Its keys; those that are ``None`` are left out.
    before : int or None
        Position that it takes; ``None``: behind the last one.
    """

    array: Path
    values: Mapping[str, Any]
    before: int | None = None


@dataclass(frozen=True)
class RemoveTable:
    """Take an entry of an array of tables away, with the tables under it.

    Comments stay: those on lines of their own as they are, others with what their line said.

    Parameters
    ----------
    table : tuple
        Path to the entry, such as ``("pot", 1)``.
    """

    table: Path


Edit = SetKey | AddTable | RemoveTable


def edited(text: str, edits: Iterable[Edit]) -> str:
    """The text after changes, one after the other.

    Parameters
    ----------
    text : str
        TOML that ``tomllib`` accepts; lines may end in either way.
    edits : iterable of SetKey, AddTable or RemoveTable
        Positions in their paths are those after the changes before.

    Raises
    ------
    YardFileError
        A change is for something that is not in the text or stands in a form that is not changed
        here, such as tables written within one line.

    Examples
    --------
    >>> print(edited('[site]\\nname = "a"  # ours\\n', [SetKey(("site",), "name", "yard-2")]))
    [site]
    name = "yard-2"  # ours
    <BLANKLINE>
    """
    for edit in edits:
        meant = _after(parsed(text), edit)
        # Windows editors end lines in two characters; new lines end as the first one does.
        end = "\r\n" if text.partition("\n")[0].endswith("\r") else "\n"
        layout = _Layout(text, end)
        if isinstance(edit, SetKey):
            made = layout.set_key(edit)
        elif isinstance(edit, AddTable):
            made = layout.add_table(edit)
        else:
            made = layout.remove_table(edit)
        try:
            is_meant = _same(parsed(made), meant)
        except YardFileError:
            is_meant = False
        if not is_meant:
            raise _not_here("/".join(str(step) for step in _path_of(edit)))
        text = made
    return text


def parsed(text: str) -> dict[str, Any]:
    """What the text says, as ``tomllib`` reads it.

    Raises
    ------
    YardFileError
        It is not TOML.
    """
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise YardFileError(
            f"The yard file cannot be changed here, for it is not TOML: {error}.",
            "Mend it in the whole text first.",
        ) from error


def difference(before: str, after: str, name: str = "yard.toml", around: int = 2) -> str:
    """What changes between two texts, line by line, as ``diff -u`` writes it.

    Parameters
    ----------
    before, after : str
        The texts.
    name : str
        What to call the file.
    around : int
        Lines that stay, shown around those that change.
    """
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), f"{name} as it is", f"{name} as it will be",
        lineterm="", n=around,
    )  # fmt: skip
    return "\n".join(lines)


def written(value: Any) -> str:
    """A value as TOML writes it.

    Raises
    ------
    ValueError
        It is of no kind that a yard file holds.

    Examples
    --------
    >>> written(862000.0), written("a \\"b\\""), written([0, 1.5]), written(dt.date(2026, 1, 5))
    ('862000', '"a \\\\"b\\\\""', '[0, 1.5]', '2026-01-05')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("expected a number")
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, str):
        return f'"{"".join(_escaped(c) for c in value)}"'
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Sequence):
        return f"[{', '.join(written(one) for one in value)}]"
    raise ValueError(f"a yard file holds no {type(value).__name__}")


def _escaped(character: str) -> str:
    named = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    if character in named:
        return named[character]
    code = ord(character)
    if 0xD800 <= code <= 0xDFFF:
        raise ValueError("expected text")
    return f"\\u{code:04x}" if code < 0x20 or code == 0x7F else character


# --- what is meant ---------------------------------------------------------------------------


def _after(raw: dict[str, Any], edit: Edit) -> dict[str, Any]:
    """The values as they are to be; ``raw`` is ours to change."""
    if isinstance(edit, SetKey):
        table = _table_in(raw, edit.table, make=edit.value is not None)
        if edit.value is None:
            if edit.key not in table:
                raise _not_here("/".join(str(step) for step in (*edit.table, edit.key)))
            del table[edit.key]
        else:
            table[edit.key] = _plain(edit.value)
    elif isinstance(edit, AddTable):
        parent = _table_in(raw, edit.array[:-1])
        entries = parent.setdefault(str(edit.array[-1]), [])
        if not isinstance(entries, list):
            raise _not_here(str(edit.array[-1]))
        values = {key: _plain(value) for key, value in edit.values.items() if value is not None}
        entries.insert(len(entries) if edit.before is None else edit.before, values)
    else:
        parent, name, position = (
            _table_in(raw, edit.table[:-2]), str(edit.table[-2]), edit.table[-1],
        )  # fmt: skip
        entries = parent.get(name, [])
        if not isinstance(position, int) or not 0 <= position < len(entries):
            raise _not_here("/".join(str(step) for step in edit.table))
        del entries[position]
        if not entries:
            del parent[name]
    return raw


def _table_in(raw: dict[str, Any], path: Path, make: bool = False) -> dict[str, Any]:
    found: Any = raw
    for step in path:
        if isinstance(found, dict) and isinstance(step, str):
            found = found.setdefault(step, {}) if make else found.get(step)
        elif isinstance(found, list) and isinstance(step, int) and 0 <= step < len(found):
            found = found[step]
        else:
            found = None
    if not isinstance(found, dict):
        raise _not_here("/".join(str(step) for step in path))
    return found


def _plain(value: Any) -> Any:
    """A value as ``tomllib`` will give it back."""
    if isinstance(value, str | bool | dt.date | dt.time):
        return value
    return [_plain(one) for one in value] if isinstance(value, Sequence) else value


def _same(one: Any, other: Any) -> bool:
    """Whether two values say the same; 5 and 5.0 do, 1 and true do not."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return isinstance(one, bool) == isinstance(other, bool) and bool(one == other)


def _path_of(edit: Edit) -> Path:
    if isinstance(edit, SetKey):
        return (*edit.table, edit.key)
    return edit.array if isinstance(edit, AddTable) else edit.table


def _not_here(what: str) -> YardFileError:
    return YardFileError(
        f"{what} cannot be changed in this form: it is not in the yard file, or stands there in "
        "another form than tables of their own.",
        "Change it in the whole text.",
    )


# --- where it stands -------------------------------------------------------------------------


@dataclass
class _Block:
    """A table as it is written: its header's line and its keys."""

    path: Path
    first: int
    keys: dict[Path, Node] = field(default_factory=dict)
    last: int = 0


class _Layout:
    """The lines of a text, and where tables and keys stand in them."""

    def __init__(self, text: str, end: str) -> None:
        import tree_sitter_toml
        from tree_sitter import Language, Parser

        self._end = end
        self._bytes = text.encode()
        self._root = Parser(Language(tree_sitter_toml.language())).parse(self._bytes).root_node
        root = self._root
        if root.has_error:
            raise _not_here("This yard file")
        self._lines = text.split("\n")
        top = _Block((), -1, last=-1)
        self._blocks = [top]
        self._values: dict[Path, Node] = {}
        lengths: dict[Path, int] = {}
        for node in root.named_children:
            if node.type == "pair":
                self._note(node, top)
            elif node.type in ("table", "table_array_element"):
                block = _Block(_header_path(node, lengths), node.start_point[0])
                block.last = block.first
                self._blocks.append(block)
                for child in node.named_children[1:]:
                    if child.type == "pair":
                        self._note(child, block)

    def _note(self, pair: Node, block: _Block) -> None:
        key, value = pair.named_children[0], pair.named_children[1]
        path = (*block.path, *keys_of(key))
        block.keys[path] = pair
        block.last = max(block.last, value.end_point[0])
        self._note_value(path, value)

    def _note_value(self, path: Path, value: Node) -> None:
        self._values[path] = value
        if value.type == "inline_table":
            for pair in value.named_children:
                if pair.type == "pair":
                    inner = (*path, *keys_of(pair.named_children[0]))
                    self._note_value(inner, pair.named_children[1])

    def set_key(self, edit: SetKey) -> str:
        path = (*edit.table, edit.key)
        standing = self._values.get(path)
        if edit.value is None:
            pair = next((b.keys[path] for b in self._blocks if path in b.keys), None)
            if standing is None or pair is None:
                raise _not_here("/".join(str(step) for step in path))
            return self._without([(pair.start_point[0], standing.end_point[0])])
        new = written(edit.value)
        if standing is not None:
            return self._replaced(standing, new)
        line = f"{_key(edit.key)} = {new}"
        for block in self._blocks:
            if block.path == edit.table:
                return self._with(block.last, [line])
        if not all(isinstance(step, str) for step in edit.table):
            raise _not_here("/".join(str(step) for step in path))
        header = f"[{'.'.join(_key(str(step)) for step in edit.table)}]"
        return self._with(self._last_line(), ["", header, line])

    def add_table(self, edit: AddTable) -> str:
        name, parent = str(edit.array[-1]), edit.array[:-1]
        count = len({b.path[len(edit.array)] for b in self._blocks if _under(b.path, edit.array)})
        if edit.array in self._values:  # written within one line
            raise _not_here(name)
        position = count if edit.before is None else min(edit.before, count)
        if position > 0:
            after = self._end_of((*edit.array, position - 1))
        elif count:
            # Before the first one: behind what its parent says itself, above its own comments.
            after = self._above((*edit.array, 0))
        else:
            after = self._end_of(parent) if parent else self._last_line()
        steps = [_key(str(step)) for step in edit.array if isinstance(step, str)]
        lines = [f"[[{'.'.join(steps)}]]"]
        lines += [f"{_key(k)} = {written(v)}" for k, v in edit.values.items() if v is not None]
        return self._with(after, ["", *lines])

    def remove_table(self, edit: RemoveTable) -> str:
        gone = []
        for block in self._blocks:
            if block.path == edit.table or _under(block.path, edit.table):
                gone.append((block.first, block.first))
                gone += [
                    (pair.start_point[0], pair.named_children[1].end_point[0])
                    for pair in block.keys.values()
                ]
        if not gone:
            raise _not_here("/".join(str(step) for step in edit.table))
        return self._without(gone)

    def _end_of(self, path: Path) -> int:
        """The last line that belongs to a table or to one under it."""
        ends = [b.last for b in self._blocks if b.path == path or (path and _under(b.path, path))]
        if not ends:
            raise _not_here("/".join(str(step) for step in path))
        return max(ends)

    def _above(self, path: Path) -> int:
        """The line above a table and the comments that stand directly over it."""
        line = min(b.first for b in self._blocks if b.path == path) - 1
        while line >= 0 and self._lines[line].lstrip().startswith("#"):
            line -= 1
        return max(line, max((b.last for b in self._blocks if b.first <= line), default=-1))

    def _last_line(self) -> int:
        """The last line with anything on it."""
        line = len(self._lines) - 1
        while line >= 0 and not self._lines[line].strip():
            line -= 1
        return line

    def _replaced(self, standing: Node, new: str) -> str:
        before, after = self._bytes[: standing.start_byte], self._bytes[standing.end_byte :]
        rest = after.decode()
        spaces = len(rest) - len(rest.lstrip(" "))
        if spaces and rest[spaces : spaces + 1] == "#":
            # The comment behind it stays in its column where there is room.
            old = (standing.text or b"").decode().rpartition("\n")[2]
            spaces_then = max(spaces + len(old) - len(new), min(spaces, 2))
            rest = " " * spaces_then + rest[spaces:]
        return before.decode() + new + rest

    def _with(self, after: int, new: Sequence[str]) -> str:
        """The text with lines put in behind a line."""
        lines = list(self._lines)
        head, tail = lines[: after + 1], lines[after + 1 :]
        carriage = self._end[:-1]
        made = [line + carriage for line in new]
        if not head and made and not new[0]:
            made = made[1:]
        if not tail:
            # The last line had no end; it gets one, and the new last one gets one too.
            if head:
                head[-1] += "" if head[-1].endswith("\r") else carriage
            tail = [""]
        elif new and not new[0] and tail[0].strip():
            made.append(carriage)
        return "\n".join([*head, *made, *tail])

    def _without(self, spans: Iterable[tuple[int, int]]) -> str:
        """The text without lines; of those with a comment the whole line stays, as a comment."""
        commented = self._comments()
        gone = {line for first, last in spans for line in range(first, last + 1)}
        kept = []
        for number, line in enumerate(self._lines):
            if number not in gone:
                kept.append(line)
            elif number in commented:
                bare = line.lstrip()
                kept.append(line if bare.startswith("#") else f"# {line}")
        if kept and kept[-1].endswith("\r"):
            kept.append("")  # the line above a last one without an end keeps its whole end
        return "\n".join(kept)

    def _comments(self) -> set[int]:
        """Lines on which a comment stands."""
        found: set[int] = set()
        waiting = [self._root]
        while waiting:
            node = waiting.pop()
            if node.type == "comment":
                found.add(node.start_point[0])
            waiting += node.children
        return found


def _header_path(node: Node, lengths: dict[Path, int]) -> Path:
    """The path of a table; ``[[pot.part]]`` means the last ``[[pot]]`` so far."""
    path: Path = ()
    steps = keys_of(node.named_children[0])
    for number, key in enumerate(steps):
        path = (*path, key)
        if number == len(steps) - 1 and node.type == "table_array_element":
            position = lengths.get(path, 0)
            lengths[path] = position + 1
            path = (*path, position)
        elif path in lengths:
            path = (*path, lengths[path] - 1)
    return path


def _under(path: Path, above: Path) -> bool:
    return len(path) > len(above) and path[: len(above)] == above


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else written(name)
