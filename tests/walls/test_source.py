"""Walls that read the source: index of models, thin edges, size of files, no signals, docstrings.

They hold for every capability; what import-linter and ruff already check is not repeated.
"""

import ast
import inspect
from pathlib import Path

import pytest
from django.apps import apps

import valvecare.models as index

ROOT = Path(__file__).resolve().parent.parent.parent
PACKAGE = ROOT / "valvecare"
MOST_LINES = 600
WRITES = {"save", "create", "update", "delete", "bulk_create", "bulk_update", "get_or_create"}
SECTIONS = ("Parameters", "Returns", "Raises", "Source")


def python_files(*folders: Path) -> list[Path]:
    return sorted(
        path
        for folder in folders
        for path in folder.rglob("*.py")
        if "migrations" not in path.parts and "__pycache__" not in path.parts
    )


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def edges() -> list[Path]:
    """api.py and pages.py of every capability, or the files of a folder of that name."""
    return [
        path
        for path in python_files(PACKAGE)
        if path.stem in ("api", "pages") or {"api", "pages"} & set(path.parts)
    ]


def written(source: str) -> list[int]:
    """Lines that call a writing method of the ORM on anything but a plain dict or set."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in WRITES
        and not (isinstance(node.func.value, ast.Name) and node.func.value.id == "context")
    ]


def test_every_model_is_exported_by_the_index():
    ours = {
        model.__name__
        for model in apps.get_app_config("valvecare").get_models()
        if not model.__name__.startswith("Historical")
    }
    assert ours - set(index.__all__) == set()
    assert [name for name in index.__all__ if not hasattr(index, name)] == []


def test_the_writing_wall_sees_a_write():
    assert written("def get():\n    row.save()\n    X.objects.create()\n") == [2, 3]
    assert written("context.update(a=1)\n") == []


@pytest.mark.parametrize("path", edges(), ids=name_of)
def test_an_edge_writes_nothing_itself(path):
    assert written(path.read_text()) == [], f"{name_of(path)} must call an action instead"


@pytest.mark.parametrize("path", python_files(PACKAGE, ROOT / "tests"), ids=name_of)
def test_a_file_stays_readable(path):
    assert len(path.read_text().splitlines()) <= MOST_LINES


def test_nothing_listens_to_signals():
    found = [
        name_of(path)
        for path in python_files(PACKAGE)
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        and any("receiver" in ast.unparse(decorator) for decorator in node.decorator_list)
    ]
    assert found == []


def public_functions(path: Path) -> list[ast.FunctionDef]:
    return [
        node
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.FunctionDef)
        and not node.name.startswith(("_", "require_", "checked_"))  # guards of inputs
    ]


ENGINEERING = [
    pytest.param(node, id=f"{path.stem}.{node.name}")
    for path in python_files(PACKAGE / "engineering")
    for node in public_functions(path)
    if path.parent.name == "engineering"
    and path.stem not in ("__init__", "errors", "tables", "working", "plausible")
]
"""Formulas lie in the folder itself; its sub-folders describe and present them."""


@pytest.mark.parametrize("node", ENGINEERING)
def test_an_engineering_function_has_its_docstring_sections(node):
    words = inspect.cleandoc(ast.get_docstring(node) or "")
    takes = node.args.args or node.args.kwonlyargs
    wanted = SECTIONS if takes else ("Returns", "Source")
    missing = [section for section in wanted if f"{section}\n" not in f"{words}\n"]
    assert missing == []
