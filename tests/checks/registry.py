"""Which public function answers which computation of a case table.

An adapter is a few lines: it converts the row's inputs with `valvecare.engineering.units`, calls
one public function and converts the answer to the row's unit. No formula lives in an adapter.

    from tests.checks.registry import Inputs, adapter

    @adapter("water_vapour_pressure")
    def water_vapour_pressure(inputs: Inputs) -> float:
        ...

`inputs` is the row's JSON object; `inputs.folder` is the folder of the table, for data files.
The answer is a number, text, bool, list or dict, whatever the row expects; a refusal is raised.
"""

import importlib
import pkgutil
from collections.abc import Callable
from pathlib import Path
from typing import Any


class Inputs(dict[str, Any]):
    """The inputs of one row, and where its table lies."""

    def __init__(self, values: dict[str, Any], folder: Path) -> None:
        super().__init__(values)
        self.folder = folder

    def number(self, name: str) -> float:
        """The named input, as it stands in the row (absent inputs are None, never a default)."""
        value: float = self.get(name)  # type: ignore[assignment]
        return value


Adapter = Callable[[Inputs], Any]
_ADAPTERS: dict[str, Adapter] = {}


def adapter(*computations: str) -> Callable[[Adapter], Adapter]:
    """Register the decorated function for one or more computation names."""

    def register(function: Adapter) -> Adapter:
        for name in computations:
            known = _ADAPTERS.get(name)
            if known is not None and known.__module__ != function.__module__:
                raise ValueError(f"{name} is mapped twice: {known.__module__} and here")
            _ADAPTERS[name] = function
        return function

    return register


def find(computation: str) -> Adapter | None:
    """The adapter for a computation, or None: the row is then reported as unmapped."""
    return _ADAPTERS.get(computation)


def load(module: str | None = None) -> None:
    """Import one module of adapters, or every `tests.checks.adapters_*` when none is named."""
    if module is not None:
        importlib.import_module(module)
        return
    package = importlib.import_module("tests.checks")
    for info in pkgutil.iter_modules(package.__path__):
        if info.name.startswith("adapters_"):
            importlib.import_module(f"tests.checks.{info.name}")
