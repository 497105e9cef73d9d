"""Every public name of the room says what it takes, what it refuses and where it comes from."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import gateway.heat

ROOM = Path(gateway.heat.__file__).parent
MODULES = sorted(path for path in ROOM.glob("*.py") if path.name != "__init__.py")


def _public(tree: ast.Module) -> list[ast.FunctionDef]:
    kinds = [kind for kind in tree.body if isinstance(kind, ast.ClassDef) and not kind.name.startswith("_")]
    nodes = [*tree.body, *(node for kind in kinds for node in kind.body)]
    return [node for node in nodes if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_public_functions_name_source_and_errors(path: Path) -> None:
    for function in _public(ast.parse(path.read_text(encoding="utf-8"))):
        words = ast.get_docstring(function) or ""
        assert "Reference:" in words, function.name
        assert "Raises:" in words, function.name
        taken = [name for name in function.args.args + function.args.kwonlyargs if name.arg != "self"]
        if taken:
            assert "Args:" in words, function.name
            assert "Range:" in words, function.name
        if any(name.annotation is not None and "float" in ast.unparse(name.annotation) for name in taken):
            assert "[" in words.partition("Args:")[2], function.name  # the unit


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_public_function_stands_in_the_page(path: Path) -> None:
    page = (ROOM / "README.md").read_text(encoding="utf-8")
    for function in _public(ast.parse(path.read_text(encoding="utf-8"))):
        assert f"`{function.name}`" in page, function.name
