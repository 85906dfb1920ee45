"""The documentation says what the code does: roles, scopes, and the examples of import files."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.factories.register import UserFactory
from valvecare.core.permits import PERMITS, Role
from valvecare.models import ProtectionValve
from valvecare.register.actions.import_register import import_register
from valvecare.register.rules import Scope, SheetKind

DOCS = Path(__file__).resolve().parent.parent.parent / "docs"


WORDS = {
    frozenset(Role): "all",
    frozenset(Role) - {Role.CONTRACTOR}: "all but contractors",
}


def roles_table() -> str:
    lines = ["| permit | roles that hold it |", "|---|---|"]
    for permit, roles in PERMITS.items():
        held = WORDS.get(roles) or ", ".join(sorted(roles))
        lines.append(f"| `{permit}` | {held} |")
    return "\n".join(lines)


def test_the_roles_in_the_documentation_are_those_of_the_code():
    text = (DOCS / "security.md").read_text()
    [table] = re.findall(r"<!-- roles -->\n(.*?)\n?<!-- /roles -->", text, re.DOTALL)
    assert table == roles_table(), f"docs/security.md should hold:\n{roles_table()}"


def test_every_scope_is_documented():
    text = (DOCS / "security.md").read_text()
    assert re.findall(r"^\| `([a-z]+:[a-z]+)` \|", text, re.MULTILINE) == [*Scope]


@pytest.mark.django_db
def test_the_examples_of_import_files_can_be_imported_in_their_order():
    text = (DOCS / "register.md").read_text()
    examples = re.findall(r"```csv\n(.*?)```", text, re.DOTALL)
    kinds = ["sites", "groups", "designs", "pumps", "curve points", "valves"]
    assert len(examples) == len(kinds) == len(SheetKind)
    boss = UserFactory(is_superuser=True)
    for kind, example in zip(kinds, examples, strict=True):
        result = import_register(
            example.encode(),
            f"{kind}.csv",
            actor=boss,
            at=datetime(2026, 5, 4, tzinfo=UTC),
            locale="de" if kind == "valves" else "en",
        )
        assert [str(error) for error in result.errors] == []
        assert result.was_written
    assert ProtectionValve.objects.get().bypass_kv_m3_per_h == 3.3
