"""Load the default set of procedures that comes with the program. It overwrites nothing."""

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from django.db import transaction

from valvecare.core.errors import Refused
from valvecare.work.actions.use_procedure import enter_use
from valvecare.work.actions.write_procedure import add_version
from valvecare.work.models import Procedure, ProcedureVersion
from valvecare.work.reads import content_hash_of, steps_of
from valvecare.work.rules import OrderKind
from valvecare.work.rules.procedures import VersionState, WorkStep, step_from

FILE: Final = Path(__file__).resolve().parent.parent / "data" / "default_procedures.json"
_WORDS: Final = "Comes with the program; to be read by the plant's owner."


@dataclass(frozen=True, slots=True)
class Shipped:
    """One procedure of the default set."""

    code: str
    title: str
    kind: OrderKind
    owner: str
    source: str
    steps: tuple[WorkStep, ...]


def default_set() -> tuple[Shipped, ...]:
    """The procedures of the file, their blocks put together and numbered."""
    found = json.loads(FILE.read_text(encoding="utf-8"))
    blocks: dict[str, Any] = found["blocks"]
    return tuple(
        Shipped(
            row["code"],
            row["title"],
            OrderKind(row["kind"]),
            found["owner"],
            found["source"],
            tuple(
                step_from({"phase": blocks[name]["phase"], **step}, number)
                for number, (name, step) in enumerate(
                    ((name, step) for name in row["blocks"] for step in blocks[name]["steps"]), 1
                )
            ),
        )
        for row in found["procedures"]
    )


@dataclass(frozen=True, slots=True)
class Loaded:
    """What became of one procedure of the set."""

    code: str
    words: str
    is_new: bool


def _load(shipped: Shipped, at: datetime) -> Loaded:
    procedure, is_new = Procedure.objects.get_or_create(
        code=shipped.code,
        defaults={
            "title": shipped.title,
            "kind": shipped.kind.value,
            "owner": shipped.owner,
            "source": shipped.source,
            "is_shipped": True,
        },
    )
    if not procedure.is_shipped:
        return Loaded(shipped.code, "left alone: the plant has its own of this name", False)
    versions = list(procedure.versions.order_by("number"))
    wanted = content_hash_of(shipped.steps)
    if any(content_hash_of(steps_of(row.pk)) == wanted for row in versions):
        return Loaded(shipped.code, "there already", False)
    if any(row.state == VersionState.DRAFT for row in versions):
        return Loaded(shipped.code, "not added: it has a draft; end that first", False)
    row = add_version(procedure, shipped.steps, words=_WORDS, actor=None, at=at, is_shipped=True)
    if not is_new:
        return Loaded(
            shipped.code,
            f"version {row.number} added as a draft: compare it, then use it",
            True,
        )
    return Loaded(shipped.code, _first_use(row, at), True)


def _first_use(row: ProcedureVersion, at: datetime) -> str:
    try:
        with transaction.atomic():
            enter_use(row, words=_WORDS, actor=None, at=at)
    except Refused as refused:
        return f"added as a draft: {refused}"
    return "version 1 put in use"


@transaction.atomic
def load_default_set(*, at: datetime) -> list[Loaded]:
    """Add what is missing. A plant's own procedures and versions are never touched.

    The first version of each is put in use; a later one from the program is a draft, to be
    compared and put in use by the owner. Loading again adds nothing.
    """
    return [_load(shipped, at) for shipped in default_set()]
