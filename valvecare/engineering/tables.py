"""Reading the data tables shipped with the calculation library: once, from the package itself."""

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files


@cache
def table(name: str) -> tuple[Mapping[str, str], ...]:
    """Return the rows of `data/<name>.csv`, in file order. Lines starting with # are remarks."""
    text = files("valvecare.engineering").joinpath("data", f"{name}.csv").read_text("utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return tuple(csv.DictReader(lines))
