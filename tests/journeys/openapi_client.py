"""A client that knows nothing but the OpenAPI document: operations by id, paths, methods."""

import json
import urllib.error
import urllib.request
from typing import Any
from urllib.parse import urlencode


class Answer:
    def __init__(self, status: int, headers: Any, body: bytes) -> None:
        self.status, self.headers, self.raw = status, headers, body

    @property
    def json(self) -> Any:
        return json.loads(self.raw) if self.raw else None


def fetch(method: str, url: str, token: str, body: Any = None, **headers: str) -> Answer:
    """One request; HTTP errors are answers too."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data=data, method=method)
    request.add_header("Authorization", f"Bearer {token}")
    request.add_header("Accept", "application/json")
    if data is not None:
        request.add_header("Content-Type", "application/json")
    for name, value in headers.items():
        request.add_header(name.replace("_", "-"), value)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return Answer(answer.status, answer.headers, answer.read())
    except urllib.error.HTTPError as error:
        return Answer(error.code, error.headers, error.read())


class Api:
    """Calls operations by their id; the document says path, method and required fields."""

    def __init__(self, base: str, token: str) -> None:
        self.base, self.token = base, token
        document = fetch("GET", f"{base}/api/schema/?format=json", token)
        assert document.status == 200, document.raw[:300]
        self.document = document.json
        self.operations = {
            operation["operationId"]: (method.upper(), path, operation)
            for path, methods in self.document["paths"].items()
            for method, operation in methods.items()
            if isinstance(operation, dict) and "operationId" in operation
        }

    def required_of(self, operation: str) -> list[str]:
        """Names of the body fields the document requires."""
        content = self.operations[operation][2]["requestBody"]["content"]["application/json"]
        schema = content["schema"]
        if "$ref" in schema:
            name = schema["$ref"].rsplit("/", 1)[1]
            schema = self.document["components"]["schemas"][name]
        return list(schema.get("required", []))

    def call(self, operation: str, body: Any = None, query: Any = None, **path: Any) -> Answer:
        method, template, _ = self.operations[operation]
        url = self.base + template.format(**path)
        if query:
            url += f"?{urlencode(query)}"
        return fetch(method, url, self.token, body)
