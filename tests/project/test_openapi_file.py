"""docs/openapi.json is what the program answers; a difference fails here and is seen in review."""

import json

from openapi_spec_validator import validate

from tests.project.openapi_file import FILE, LARGEST, generated, text_of

REFRESH = "docs/openapi.json is out of date; refresh it: python -m tests.project.openapi_file"


def differing(kept, made):
    """Names of operations and components that differ, to say more than 'differs'."""
    found = []
    for part in ("paths", *made["components"]):
        old = (kept if part == "paths" else kept.get("components", {})).get(part, {})
        new = (made if part == "paths" else made["components"]).get(part, {})
        found += [
            f"{part}: {key}" for key in old.keys() | new.keys() if old.get(key) != new.get(key)
        ]
    return sorted(found)


def test_the_checked_in_document_is_the_present_one():
    kept, made = json.loads(FILE.read_text("utf-8")), generated()
    assert differing(kept, made) == [], REFRESH
    assert FILE.read_text("utf-8") == text_of(made), REFRESH


def test_the_document_is_small_enough_to_check_in_and_valid():
    text = FILE.read_text("utf-8")
    assert len(text.encode()) < LARGEST
    validate(json.loads(text))


def test_a_drift_is_told_by_name():
    made = generated()
    kept = json.loads(json.dumps(made))
    kept["paths"]["/api/v1/due-jobs"]["get"]["summary"] = "something else"
    del kept["components"]["schemas"]["Problem"]
    assert differing(kept, made) == ["paths: /api/v1/due-jobs", "schemas: Problem"]


def test_no_operation_speaks_to_developers():
    described = [
        operation.get("description", "")
        for methods in generated()["paths"].values()
        for operation in methods.values()
    ]
    assert [words for words in described if "required_scopes" in words] == []
