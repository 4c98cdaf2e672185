"""The size of things: short modules, short functions, few parameters, and no module in a circle.

Of a function the lines are counted that do something, not its docstring. A function that passes a
limit says why in a comment beside it (``# Long: ...`` or ``# Many parameters: ...`` on the line
above it or its decorators).
"""

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FILES = sorted((ROOT / "overlay").rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES, MOST_PARAMETERS = 400, 60, 7

Function = ast.FunctionDef | ast.AsyncFunctionDef


def parameters(function: Function) -> int:
    given = function.args
    names = [one.arg for one in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
    return len([name for name in names if name not in ("self", "cls")])


def passed_limits(text: str) -> Iterator[str]:
    """Functions of a module that pass a limit without a reason beside them."""
    lines = text.splitlines()
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, Function):
            continue
        first = min([node.lineno, *(one.lineno for one in node.decorator_list)])
        above = lines[first - 2].strip() if first > 1 else ""
        length, count = node.end_lineno - node.lineno + 1, parameters(node)
        if ast.get_docstring(node) is not None:
            length -= node.body[0].end_lineno - node.body[0].lineno + 1
        if length > MOST_FUNCTION_LINES and not above.startswith("# Long: "):
            yield f"{node.name} is {length} lines long"
        if count > MOST_PARAMETERS and not above.startswith("# Many parameters: "):
            yield f"{node.name} takes {count} parameters"


def imported(node: ast.AST) -> Iterator[str]:
    """Every module that is imported below a node, but not for type hints only."""
    if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
        return
    if isinstance(node, ast.Import):
        yield from (name.name for name in node.names)
    elif isinstance(node, ast.ImportFrom) and node.module:
        yield node.module
        yield from (f"{node.module}.{name.name}" for name in node.names)
    for child in ast.iter_child_nodes(node):
        yield from imported(child)


def module_name(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(ROOT)))
def test_house__modules_and_functions_are_small(file):
    text = file.read_text(encoding="utf-8")
    assert text.count("\n") <= MOST_LINES
    assert list(passed_limits(text)) == []


def test_house__a_limit_passed_is_found():
    many = ", ".join(f"p{i}" for i in range(8))
    long = "def f():\n    'Says\\\n    much.'\n" + "    x = 1\n" * 60
    assert list(passed_limits(f"def f({many}): ...")) == ["f takes 8 parameters"]
    assert list(passed_limits(f"# Many parameters: eight.\ndef f({many}): ...")) == []
    assert list(passed_limits(long)) == ["f is 61 lines long"]
    assert list(passed_limits(f"# Long: a table.\n@tidy\n{long}")) == []


def test_house__no_modules_in_a_circle():
    """Imports inside functions count too: they only hide a circle."""
    known = {module_name(file): file for file in FILES}
    graph = {
        name: {one for one in imported(ast.parse(file.read_text("utf-8"))) if one in known}
        # A package's face is imported by whoever wants a name of it, and imports its own parts.
        - {name, name.rpartition(".")[0]}
        for name, file in known.items()
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_house__no_two_public_classes_share_a_name():
    homes: dict[str, list[str]] = {}
    for file in FILES:
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault(node.name, []).append(module_name(file))
    assert {name: places for name, places in homes.items() if len(places) > 1} == {}
