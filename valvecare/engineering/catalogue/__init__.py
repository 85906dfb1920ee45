"""The catalogue: every computation by name, and the one function that runs them.

Page, REST endpoint and command call `calculate`; it converts units at the edge, calls exactly one
public function of the library (records it takes, such as a pump curve, are built on the way) and
lets refusals through with the name of the input as the caller knows it. Pure: no Django, no files.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from valvecare.engineering.catalogue import (
    bypass,
    dates,
    flow_judging,
    flow_tests,
    joints,
    leak_tests,
    lifetimes,
    liquids,
    minimum_flow,
    passing,
    springs,
    tightening,
    wear,
)
from valvecare.engineering.catalogue.answer import Calculation, answer
from valvecare.engineering.catalogue.edge import inside, refuse_too_certain, refuse_unknown, renamed
from valvecare.engineering.catalogue.forms import Computation, Form, Group, Input, Output, Unit
from valvecare.engineering.errors import OutOfRange

__all__ = [
    "CATALOGUE",
    "Calculation",
    "Computation",
    "Form",
    "Group",
    "Input",
    "Output",
    "Unit",
    "calculate",
    "computation",
]

_ALL: tuple[Computation, ...] = (
    *liquids.ENTRIES,
    *minimum_flow.ENTRIES,
    *bypass.ENTRIES,
    *flow_tests.ENTRIES,
    *flow_judging.ENTRIES,
    *passing.ENTRIES,
    *joints.ENTRIES,
    *tightening.ENTRIES,
    *springs.ENTRIES,
    *wear.ENTRIES,
    *leak_tests.ENTRIES,
    *dates.ENTRIES,
    *lifetimes.ENTRIES,
)
CATALOGUE: Mapping[str, Computation] = MappingProxyType({entry.name: entry for entry in _ALL})
"""Every computation by its name, in the order of the groups."""


def computation(name: str) -> Computation:
    """One entry of the catalogue; an unknown name is refused with `calculation` as the input."""
    if not isinstance(name, str) or name not in CATALOGUE:
        raise OutOfRange("calculation", str(name), "a name of the list of calculations")
    return CATALOGUE[name]


def calculate(name: str, inputs: Mapping[str, Any]) -> Calculation:
    """Run one computation of the catalogue.

    Parameters
    ----------
    name : name of the computation, for example "kv-required"
    inputs : values by input name; a number is in the unit its name says, or
        {"value": number, "unit": code} with another unit of the same kind

    Returns
    -------
    Calculation : inputs as given and in SI, steps, results, uncertainty, reasons, cautions, source

    Raises
    ------
    OutOfRange : unknown computation; an input unknown, missing, insane or in a unit of another
        kind, by the name the caller used
    NoSolution, NotEnoughData : as the function of the library

    Assumptions
    -----------
    Those of the function; they are part of the answer.

    Source
    ------
    Each entry names its own.

    Examples
    --------
    IEC 60534-2-1, example 1 (Kv 165):

    >>> entry = computation("kv-required")
    >>> answer = calculate("kv-required", entry.example_inputs()).as_dict()
    >>> round(answer["results"]["kv_m3_per_h"])
    165
    """
    entry = computation(name)
    refuse_unknown(entry, inputs)
    values = {item.si: inside(item, inputs.get(item.name)) for item in entry.inputs}
    refuse_too_certain(entry, values)
    try:
        result = entry.function(**values) if entry.run is None else entry.run(values)
    except OutOfRange as refusal:
        raise renamed(entry, refusal, inputs) from refusal
    return answer(entry, inputs, values, result)
