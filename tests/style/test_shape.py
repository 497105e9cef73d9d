"""The shape of the code, as DEVELOPERS.md promises it: sizes, docstrings, units, sources, where errors are caught."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(p for room in ("gateway", "drivers", "dashboards") for p in (ROOT / room).rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES, DEEPEST = 400, 60, 2
DRAWERS = {"utils", "util", "helpers", "helper", "common", "misc", "manager"}

# A parameter of these names is a physical number and must say its unit.
PHYSICAL = re.compile(r"^(temp|temperature|humidity|rh|pressure|age|duration|timeout|interval|delay|altitude|mass)$")
NAMED_SOURCES = [p for p in SOURCES if p.name != "__init__.py"]
ids = [str(p.relative_to(ROOT)) for p in NAMED_SOURCES]


def _functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))


@pytest.mark.parametrize("path", NAMED_SOURCES, ids=ids)
def test_module_is_small_and_says_what_it_owns(path: Path) -> None:
    text = path.read_text()
    tree = ast.parse(text)
    assert len(text.splitlines()) <= MOST_LINES
    assert path.stem not in DRAWERS
    doc = ast.get_docstring(tree) or ""
    assert all(word in doc for word in ("Owns:", "Must not know:", "How it works:")), "three parts of the docstring"
    for function in _functions(tree):
        assert function.end_lineno is not None
        assert function.end_lineno - function.lineno < MOST_FUNCTION_LINES, function.name


@pytest.mark.parametrize("path", NAMED_SOURCES, ids=ids)
def test_names_of_physical_numbers_say_their_unit(path: Path) -> None:
    for function in _functions(ast.parse(path.read_text())):
        for argument in (*function.args.args, *function.args.kwonlyargs):
            plain = isinstance(argument.annotation, ast.Name) and argument.annotation.id in ("float", "int")
            assert not (plain and PHYSICAL.match(argument.arg)), f"{function.name}({argument.arg}) without unit"


def test_inheritance_is_flat() -> None:
    parents = {
        node.name: [b.id for b in node.bases if isinstance(b, ast.Name)]
        for path in SOURCES
        if path.name != "errors.py"  # the error tree is as deep as its kinds of trouble
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ClassDef)
    }

    def depth(name: str) -> int:
        return 1 + max((depth(p) for p in parents[name] if p in parents), default=0)

    assert {name: depth(name) for name in parents if depth(name) > DEEPEST} == {}


def test_every_public_function_of_the_science_names_its_source() -> None:
    missing = [
        f"{path.name}:{f.name}"
        for path in (ROOT / "gateway" / "heat").glob("*.py")
        if path.name not in ("ranges.py", "root.py")  # guards and plain numerics: no science of their own
        for f in ast.parse(path.read_text()).body
        if isinstance(f, ast.FunctionDef) and not f.name.startswith("_")
        if "Reference:" not in (ast.get_docstring(f) or "")
    ]
    assert missing == []


def test_only_one_module_asks_for_the_time() -> None:
    asking = re.compile(r"\btime\.(time|monotonic|clock_gettime)\(|datetime\.(now|utcnow|today)\(|date\.today\(")
    found = {str(p.relative_to(ROOT)) for p in SOURCES if asking.search(p.read_text())}
    # drivers may not import the engine: a wire keeps its own deadlines on the monotonic clock
    assert found <= {"gateway/engine/clock.py", "drivers/wire.py", "drivers/bench/line.py", "drivers/bench/desk.py"}


def test_every_error_is_raised_or_caught_somewhere() -> None:
    tree = ast.parse((ROOT / "gateway" / "errors.py").read_text())
    names = [n.name for n in tree.body if isinstance(n, ast.ClassDef)]
    text = "\n".join(p.read_text() for p in SOURCES if p.name != "errors.py")
    unused = [n for n in names if not re.search(rf"\b{n}\b", text)]
    assert unused == []


def test_tests_do_not_patch_and_pure_tests_do_not_sleep() -> None:
    for path in TESTS:
        text = path.read_text()
        assert "mock" + ".patch" not in text, path
        if path.parent.name in ("control", "heat", "site", "engine"):
            assert "time" + ".sleep(" not in text, path


def test_locked_packages_cover_every_dependency() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(d for group in project["optional-dependencies"].values() for d in group)]
    locked = {
        line.split("==")[0].lower().replace("_", "-")
        for line in (ROOT / "constraints.txt").read_text().splitlines()
        if "==" in line
    }
    assert {re.split(r"[<>=\[ ]", d)[0].lower() for d in wanted} <= locked
    assert "://" not in (ROOT / "constraints.txt").read_text()


def test_nothing_names_a_machine_path_or_a_registry() -> None:
    banned = re.compile(r"(/home/[a-z]|/work/|/root/|pypi\.org|pythonhosted|registry\.npmjs|deb\.debian)")
    for path in ROOT.rglob("*"):
        skipped = {".git", ".venv", ".run", ".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis"}
        if skipped & set(path.parts) or not path.is_file() or path.suffix in (".woff2", ".png", ".pyc", ".db"):
            continue
        if path == Path(__file__):
            continue
        assert not banned.search(path.read_text(errors="replace")), path
