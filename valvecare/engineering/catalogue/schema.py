"""The catalogue as data for machines: a description, and JSON Schema of what goes in and out."""

from typing import Any

from valvecare.engineering.catalogue.forms import Computation, Form, Input, Output
from valvecare.engineering.cautions import caution

_KEYWORDS = {
    "above": "exclusiveMinimum",
    "at_least": "minimum",
    "below": "exclusiveMaximum",
    "at_most": "maximum",
}


def describe(entry: Computation) -> dict[str, Any]:
    """One computation as plain JSON values: what it takes, in which units, and what it answers."""
    return {
        "name": entry.name,
        "title": entry.title,
        "group": entry.group.value,
        "purpose": entry.purpose,
        "inputs": [_described(item) for item in entry.inputs],
        "outputs": [
            {
                "name": output.name,
                "label": output.label,
                "unit": output.unit.shown if output.unit else "",
                "is_uncertainty": output.is_uncertainty,
            }
            for output in entry.outputs
        ],
        "formula": entry.formula,
        "sources": list(entry.sources),
        "assumptions": list(entry.assumptions),
        "cautions": [caution(id).text for id in entry.cautions],
        "function": entry.function_name,
        "version": entry.version,
        "method_page": f"docs/methods/{entry.page}.md",
        "example": {
            "inputs": entry.example_inputs(),
            "expected": dict(entry.example.expected),
            "source": entry.example.source,
        },
    }


def _described(item: Input) -> dict[str, Any]:
    return {
        "name": item.name,
        "label": item.label,
        "kind": item.form.value,
        "unit": item.unit.code if item.unit else "",
        "other_units": list(item.unit.codes[1:]) if item.unit else [],
        "allowed": item.allowed(),
        "required": item.required,
        "if_absent": item.if_absent,
        "choices": list(item.choices),
        "columns": [_described(column) for column in item.columns],
        "help": item.help,
        "example": item.example,
    }


def request_schema(entry: Computation) -> dict[str, Any]:
    """JSON Schema of the inputs."""
    return {
        "type": "object",
        "additionalProperties": False,
        "required": [item.name for item in entry.inputs if item.required],
        "properties": {item.name: _schema(item) for item in entry.inputs},
        "example": entry.example_inputs(),
    }


def _schema(item: Input) -> dict[str, Any]:
    words = [f"{item.label}.", item.help, item.if_absent and f"May be left out: {item.if_absent}"]
    if item.unit:
        words.insert(1, f"In {item.unit.shown or 'parts of one'}.")
    schema = _FORMS[item.form](item)
    if not item.required:
        schema = {"oneOf": [*schema.pop("oneOf", [schema]), {"type": "null"}]}
    return {**schema, "description": " ".join(filter(None, words))}


def _number(item: Input) -> dict[str, Any]:
    number: dict[str, Any] = {"type": "number"}
    number.update({_KEYWORDS[name]: end for name, end in item.bounds().items()})
    if item.unit is None or len(item.unit.codes) < 2:
        return number
    measure = {
        "type": "object",
        "additionalProperties": False,
        "required": ["value", "unit"],
        "properties": {
            "value": {"type": "number"},
            "unit": {"type": "string", "enum": list(item.unit.codes)},
        },
    }
    return {"oneOf": [number, measure]}


def _whole(item: Input) -> dict[str, Any]:
    return {**_number(item), "type": "integer"}


def _choices(item: Input) -> dict[str, Any]:
    return {"type": "array", "items": {"type": "string", "enum": list(item.choices)}}


def _table(item: Input) -> dict[str, Any]:
    return {
        "type": "array",
        "minItems": item.least_rows,
        "maxItems": 2000,
        "items": {
            "type": "object",
            "additionalProperties": False,
            "required": [column.name for column in item.columns if column.required],
            "properties": {column.name: _schema(column) for column in item.columns},
        },
    }


_FORMS = {
    Form.NUMBER: _number,
    Form.WHOLE: _whole,
    Form.CHOICE: lambda item: {"type": "string", "enum": list(item.choices)},
    Form.CHOICES: _choices,
    Form.TEXT: lambda item: {"type": "string", "minLength": 1, "maxLength": 200},
    Form.YES_NO: lambda item: {"type": "boolean"},
    Form.DATE: lambda item: {"type": "string", "format": "date"},
    Form.TABLE: _table,
}


def answer_schema(entry: Computation) -> dict[str, Any]:
    """JSON Schema of the answer; the figures are those of this computation."""

    def figures(outputs: list[Output]) -> dict[str, Any]:
        return {
            "type": "object",
            "required": [output.name for output in outputs],
            "properties": {output.name: _figure(output) for output in outputs},
        }

    texts = {"type": "array", "items": {"type": "string"}}
    objects = {"type": "array", "items": {"type": "object", "additionalProperties": True}}
    properties: dict[str, Any] = {
        "calculation": {"type": "string", "enum": [entry.name]},
        "title": {"type": "string"},
        "version": {"type": "integer"},
        "results": figures([o for o in entry.outputs if not o.is_uncertainty]),
        "uncertainty": figures([o for o in entry.outputs if o.is_uncertainty]),
        "words": {"type": "string"},
        "reasons": objects,
        "checks": objects,
        "advice": texts,
        "inputs": objects,
        "formula": {"type": "string"},
        "steps": objects,
        "function": {"type": "string"},
        "assumptions": texts,
        "sources": texts,
        "cautions": objects,
    }
    return {"type": "object", "required": list(properties), "properties": properties}


def _figure(output: Output) -> dict[str, Any]:
    words = f"{output.label}." if not output.unit else f"{output.label}, {output.unit.shown}."
    described = {"description": words.replace(", .", ".") + " null: cannot say."}
    return {"type": ["number", "null"], **described} if output.unit else described
