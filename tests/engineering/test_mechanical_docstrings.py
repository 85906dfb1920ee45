"""Every public mechanical function documents itself in the same sections and works alone."""

import inspect
import subprocess
import sys
from types import ModuleType

import pytest

from valvecare.engineering import (
    bolting,
    cautions,
    fasteners,
    fits,
    flange_bolting,
    flashing,
    gaskets,
    joint_torque,
    leak_classes,
    leak_verdict,
    lifting,
    loosening,
    release,
    scatter,
    seals,
    spring_design,
    springs,
    tightening,
    wear,
    wear_trend,
)

MODULES: list[ModuleType] = [
    bolting,
    cautions,
    fasteners,
    fits,
    flange_bolting,
    flashing,
    gaskets,
    joint_torque,
    leak_classes,
    leak_verdict,
    lifting,
    loosening,
    release,
    scatter,
    seals,
    spring_design,
    springs,
    tightening,
    wear,
    wear_trend,
]
FUNCTIONS = [
    pytest.param(function, id=f"{module.__name__.rsplit('.', 1)[1]}.{name}")
    for module in MODULES
    for name, function in inspect.getmembers(module, inspect.isfunction)
    if function.__module__ == module.__name__ and not name.startswith("_")
]


@pytest.mark.parametrize("function", FUNCTIONS)
def test_docstring_has_every_section(function: object) -> None:
    text = inspect.getdoc(function) or ""
    takes = inspect.signature(function).parameters  # type: ignore[arg-type]
    sections = ["Returns", "Assumptions", "Source", "Examples"]
    if takes:
        sections = ["Parameters", "Returns", "Raises", "Assumptions", "Source", "Examples"]
    places = [text.find(f"\n{section}\n{'-' * len(section)}\n") for section in sections]
    assert -1 not in places, dict(zip(sections, places, strict=True))
    assert places == sorted(places)
    for name in takes:
        assert name in text, name


@pytest.mark.parametrize("function", FUNCTIONS)
def test_at_most_two_arguments_are_positional(function: object) -> None:
    parameters = inspect.signature(function).parameters.values()  # type: ignore[arg-type]
    positional = [p for p in parameters if p.kind == p.POSITIONAL_OR_KEYWORD]
    assert len(positional) <= 2
    assert all(p.default is p.empty for p in parameters)


def test_the_modules_load_neither_django_nor_numpy() -> None:
    names = [m.__name__ for m in MODULES if m is not flashing]
    code = f"import sys, {', '.join(names)}; print('django' in sys.modules, 'numpy' in sys.modules)"
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert found.stdout.split() == ["False", "False"]
