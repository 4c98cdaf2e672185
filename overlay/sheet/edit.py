"""Change a day sheet's text by small edits; comments, order and spacing of the rest stay.

An edit names a place by its way from the root, such as ``["runs", 1, "offset_s"]``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Comment, Table, Whitespace

from overlay.errors import InputError

Way = Sequence[str | int]
MARK = "\ufeff"  # that some editors put first


@dataclass(frozen=True)
class Edit:
    """One change."""

    # ``set`` a key to `value`; ``unset`` a key; ``add`` the table `value` at the end of the list at
    # `path`; ``remove`` the item of a list.
    op: Literal["set", "unset", "add", "remove"]
    path: Way  # positions from 0
    value: Any = None  # numbers, texts, truths, lists and tables of them


def edited(text: str, edits: Iterable[Edit]) -> str:
    """The text with the edits made, in their order; its line ends and its mark stay.

    Raises
    ------
    InputError
        If the text is no TOML, or an edit names a place that is not there.

    Examples
    --------
    >>> print(edited("a = 1 # one\\n", [Edit("set", ["a"], 2)]), end="")
    a = 2 # one
    """
    mark, ends = MARK if text.startswith(MARK) else "", "\r\n" if "\r\n" in text else "\n"
    try:
        document = tomlkit.parse(text.removeprefix(MARK).replace("\r\n", "\n"))
    except TOMLKitError as error:
        raise InputError(f"the sheet is not TOML: {error}; correct it in an editor") from None
    try:
        for edit in edits:
            _apply(document, edit)
        return mark + tomlkit.dumps(document).replace("\n", ends)
    except (TOMLKitError, LookupError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"the sheet has no such place ({error}); load it again") from None


def _apply(document: tomlkit.TOMLDocument, edit: Edit) -> None:
    *way, last = edit.path
    if edit.op == "add":
        _add(_at(document, way, make=True), str(last), edit.value)
        return
    holder = _at(document, way, make=edit.op == "set")
    if edit.op == "set":
        value = tomlkit.item(edit.value)
        if isinstance(holder, Table | Container) and last not in holder:
            _append(holder, str(last), value)
        else:
            holder[last] = value
    elif isinstance(holder, AoT) and isinstance(last, int):
        _keep_notes_after(document, way, holder, last)
        del holder[last]
        if not len(holder):
            del _at(document, way[:-1])[way[-1]]
    else:
        del holder[last]


def _at(document: Any, way: Way, *, make: bool = False) -> Any:
    here = document
    for step in way:
        if make and isinstance(step, str) and step not in here:
            here[step] = tomlkit.table()
        here = here[step]
    return here


def _add(holder: Any, key: str, value: dict[str, Any]) -> None:
    """A table at the end of the list under `key`, which is made where it is missing."""
    if key not in holder:
        is_root = not isinstance(holder, Table)
        _append(holder, key, tomlkit.aot() if is_root else tomlkit.array().multiline(True))
    rows = holder[key]
    if isinstance(rows, AoT):
        table = tomlkit.table()
        table.update(value)
        if len(rows):
            _last_body(rows[-1]).append((None, tomlkit.nl()))
        rows.append(table)
        return
    if not isinstance(rows, Array):
        raise TypeError(f"{key} is no list")
    row = tomlkit.inline_table()
    row.update(value)
    rows.append(row)


def _append(holder: Table | Container, key: str, value: Any) -> None:
    """A new key below the others, above the notes and blank lines before the next table."""
    body = holder.value.body if isinstance(holder, Table) else holder.body
    notes = _notes_at_end(body)
    del body[len(body) - len(notes) :]
    holder.append(key, value)
    body.extend(notes)


def _notes_at_end(body: list[Any]) -> list[Any]:
    """Comments and blank lines after the last key."""
    at = len(body)
    while at and isinstance(body[at - 1][1], Comment | Whitespace):
        at -= 1
    return body[at:]


def _keep_notes_after(document: Any, way: Way, rows: AoT, index: int) -> None:
    """What stands above the next table belongs to it, though the parser keeps it in this one."""
    notes = _notes_at_end(_last_body(rows[index]))
    if index + 1 < len(rows):
        text = "".join(item.as_string() for _, item in notes)
        rows[index + 1].trivia.indent = text.lstrip("\r\n") + rows[index + 1].trivia.indent
    elif index:
        _last_body(rows[index - 1]).extend(notes)
    else:
        outer = _at(document, way[:-1])
        (outer.value if isinstance(outer, Table) else outer).body.extend(notes)


def _last_body(table: Any) -> list[Any]:
    """The innermost body that ends where the table ends."""
    body: list[Any] = table.value.body
    inner = body[-1][1] if body else None
    if isinstance(inner, AoT) and len(inner):
        inner = inner[-1]
    if isinstance(inner, Table):
        return _last_body(inner)
    return body
