"""The checked-in OpenAPI document: `python -m tests.project.openapi_file` writes it anew."""

import json
import os
from pathlib import Path
from typing import Any

FILE = Path(__file__).resolve().parents[2] / "docs" / "openapi.json"
LARGEST = 1_000_000


def generated() -> dict[str, Any]:
    """The document as `manage.py spectacular` makes it, as plain values."""
    from drf_spectacular.generators import SchemaGenerator
    from drf_spectacular.renderers import OpenApiJsonRenderer

    document = SchemaGenerator().get_schema(request=None, public=True)
    found: dict[str, Any] = json.loads(OpenApiJsonRenderer().render(document))
    return found


def text_of(document: dict[str, Any]) -> str:
    """One operation and one component a line: small, and a change shows as changed lines."""

    def dump(value: Any, depth: int) -> str:
        if depth == 0 or not isinstance(value, dict) or not value:
            return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
        lines = (f"{json.dumps(key)}:{dump(one, depth - 1)}" for key, one in value.items())
        return "{\n" + ",\n".join(lines) + "\n}"

    return dump(document, 3) + "\n"


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
    os.environ.setdefault("DEBUG", "1")
    import django

    django.setup()
    FILE.write_text(text_of(generated()), "utf-8")
