"""The OpenAPI schema: valid, complete, every operation named once and shown with its problems."""

import re

import pytest
from drf_spectacular.generators import SchemaGenerator
from openapi_spec_validator import validate

from tests.walls.test_routes import ROUTES

UNDESCRIBED = {"schema", "api-docs", "api-catch-all"}
"""Routes under /api/ that are no operations for plant systems."""


def nameless(path):
    """The path with its parameters unnamed; the generator renames some."""
    return re.sub(r"\{[^}]+\}", "{}", path)


@pytest.fixture(scope="module")
def schema():
    return SchemaGenerator().get_schema(request=None, public=True)


def test_the_schema_is_valid_openapi(schema):
    validate(schema)


def test_every_api_route_is_in_the_schema(schema):
    routes = {
        nameless(route.path)
        for route in ROUTES
        if route.path.startswith("/api/") and route.name not in UNDESCRIBED
    }
    assert routes - {nameless(path) for path in schema["paths"]} == set()


def operations(schema):
    return [
        (path, method, operation)
        for path, methods in schema["paths"].items()
        for method, operation in methods.items()
    ]


def test_every_operation_has_a_name_of_its_own_and_its_problems(schema):
    names = [operation["operationId"] for _, _, operation in operations(schema)]
    assert len(names) == len(set(names))
    for path, method, operation in operations(schema):
        assert not operation["operationId"].startswith("api_v1"), f"{method} {path}: name it"
        assert {"401", "403", "404"} <= set(operation["responses"]), f"{method} {path}"


def test_the_generator_has_nothing_to_warn_of(capsys):
    from drf_spectacular.drainage import GENERATOR_STATS, reset_generator_stats

    reset_generator_stats()
    SchemaGenerator().get_schema(request=None, public=True)
    assert dict(GENERATOR_STATS._warn_cache) == {}
    assert dict(GENERATOR_STATS._error_cache) == {}
