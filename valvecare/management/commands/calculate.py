"""Run one calculation: JSON of inputs on stdin, JSON of the answer on stdout. No database."""

import json
import sys
from typing import Any

import msgspec
from django.core.management.base import BaseCommand, CommandParser

from valvecare.engineering.catalogue import CATALOGUE, calculate, computation
from valvecare.engineering.catalogue.schema import describe
from valvecare.engineering.errors import OutOfRange, Refusal
from valvecare.web.problems import problem

REFUSED = 2
"""Exit code of a refused input; the problem is on stdout as JSON."""


class Command(BaseCommand):
    help = "Run a calculation: inputs as JSON on stdin, the answer as JSON on stdout."
    requires_system_checks: Any = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", nargs="?", help="Name of the calculation.")
        parser.add_argument("--list", action="store_true", help="Name and title of every one.")
        parser.add_argument(
            "--describe", action="store_true", help="What this one takes, instead of running it."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["list"]:
            for entry in CATALOGUE.values():
                self.stdout.write(f"{entry.name:28} {entry.title}")
            return
        try:
            answer = _answer(options["name"], describe_only=options["describe"])
        except Refusal as refusal:
            errors = [refusal.as_dict()] if isinstance(refusal, OutOfRange) else None
            self._print(problem(422, refusal.code, str(refusal), errors=errors))
            sys.exit(REFUSED)
        except msgspec.DecodeError as error:
            self._print(problem(400, "parse_error", f"stdin is not valid JSON: {error}"))
            sys.exit(REFUSED)
        self._print(answer)

    def _print(self, body: dict[str, Any]) -> None:
        self.stdout.write(json.dumps(body, indent=2, ensure_ascii=False))


def _answer(name: str | None, *, describe_only: bool) -> dict[str, Any]:
    entry = computation(name or "")
    if describe_only:
        return describe(entry)
    inputs = msgspec.json.decode(sys.stdin.buffer.read())
    if not isinstance(inputs, dict):
        raise OutOfRange("inputs", type(inputs).__name__, "a JSON object of inputs by name")
    return calculate(entry.name, inputs).as_dict()
