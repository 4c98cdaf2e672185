"""Lines of keys against the standard library's parser: both must see the same keys."""

import tomllib
from pathlib import Path

import pytest

from overlay.sheet.places import find_lines, line_of
from tests.sheet.samples import GOOD

# Examples of the TOML 1.0.0 specification (https://toml.io/en/v1.0.0).
SPECIFICATION = Path(__file__).with_name("specification.toml").read_text(encoding="utf-8")


def paths(value, here=()):
    """Every way from the root of a parsed document."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        yield (*here, key)
        if isinstance(item, dict | list):
            yield from paths(item, (*here, key))


@pytest.mark.parametrize("text", [SPECIFICATION, GOOD, GOOD.replace("\n", "\n\n"), ""])
def test_lines__keys_are_those_of_the_parser(text):
    assert set(find_lines(text)) == set(paths(tomllib.loads(text)))


def test_lines__each_key_stands_on_its_line():
    for text in (SPECIFICATION, GOOD):
        rows = text.split("\n")
        for path, line in find_lines(text).items():
            names = [part for part in path if isinstance(part, str)]
            if isinstance(path[-1], str) and path[-1]:
                assert path[-1] in rows[line - 1], (path, line)
            elif len(names) == 1 and names[0] == "products":
                assert rows[line - 1].startswith("[[products]]")


def test_lines__items_of_a_list_over_several_lines():
    lines = find_lines('a = [ # one\n  "x",\n\n  ["y",\n "z"],\n]\nb = 1')
    assert lines == {
        ("a",): 1,
        ("a", 0): 2,
        ("a", 1): 4,
        ("a", 1, 0): 4,
        ("a", 1, 1): 5,
        ("b",): 7,
    }


def test_lines__move_with_the_text():
    moved = find_lines("# one more line\n" + GOOD)
    assert moved == {path: line + 1 for path, line in find_lines(GOOD).items()}


def test_line_of__falls_back_to_what_is_around():
    lines = find_lines("[vehicle]\nname = 'x'\n")
    assert line_of(lines, ("vehicle", "mass_kg")) == 1
    assert line_of(lines, ("vehicle", "name", 3)) == 2
    assert line_of(lines, ("runs",)) == 1


def test_lines__random_documents_match_the_parser(rng):
    for _ in range(60):
        text = _document(rng)
        assert set(find_lines(text)) == set(paths(tomllib.loads(text))), text


def _document(rng):
    """A valid document with keys never repeated."""
    count = iter(range(1000))

    def value(depth=0):
        kind = rng.integers(0, 8 if depth < 3 else 5)
        if kind == 5:
            items = [value(depth + 1) for _ in range(rng.integers(0, 4))]
            return "[ # c ]\n" + ",\n".join(items) + (" ,\n" if items else "") + "]"
        if kind == 6:
            pairs = [f"{key()} = {value(depth + 3)}" for _ in range(rng.integers(0, 3))]
            return "{ " + ", ".join(pairs) + " }"
        if kind == 7:
            return '"""\n[x]\n"q" # \\" \n"""'
        return ["1.5", '"a # [b] \\" "', "'c\\'", "true", "2026-05-16 10:04:00"][kind % 5]

    def key():
        name = f"k{next(count)}"
        return [name, f'"{name}.q"', f"'{name} x'", f"{name} . sub"][rng.integers(0, 4)]

    lines = []
    for _ in range(rng.integers(1, 5)):
        lines += [f"{key()} = {value()}  # end" for _ in range(rng.integers(0, 4))]
        header = key()
        if rng.integers(0, 2):
            lines += [f"[[ {header} ]]", f"{key()} = {value()}", f"[[{header}]]"]
            lines += [f"[{header}.below]", f"{key()} = {value()}"]
        else:
            lines += [f"[{header}] # t"]
    return "\n".join(lines)
