"""OpenAPI: every operation documents the problem answers once, here."""

from typing import Any, Literal

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import get_doc
from drf_spectacular.utils import OpenApiResponse
from rest_framework import serializers


class ProblemEntry(serializers.Serializer):
    detail = serializers.CharField()
    pointer = serializers.CharField(required=False, help_text="JSON pointer (RFC 6901).")
    code = serializers.CharField()
    remedy = serializers.CharField(required=False)


class Problem(serializers.Serializer):
    """RFC 9457 problem document."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    code = serializers.CharField(help_text="Stable, for programs.")
    detail = serializers.CharField(help_text="A sentence, for people.")
    errors = ProblemEntry(many=True, required=False)  # type: ignore[assignment]


PROBLEMS = {
    400: "Not well formed.",
    401: "No valid login or token.",
    403: "Not permitted.",
    404: "Not found, or not visible to you.",
    405: "Method not allowed.",
    406: "No acceptable content type.",
    409: "A rule refuses this, or the same request is under way.",
    412: "The record has changed since it was read.",
    413: "Too large.",
    415: "Content type not understood.",
    422: "An input cannot be used.",
    428: "If-Match is missing.",
    429: "Too many requests; see Retry-After.",
}


_WRITING_ONLY = frozenset({409, 412, 413, 415, 428})
"""Answers a reading operation never gives."""
_VERSIONED_ONLY = ("412", "428")
"""Answers only where If-Match is taken."""


class Schema(AutoSchema):
    def get_description(self) -> Any:  # type: ignore[override] # the generator takes no arguments
        """The view's own words; what the base class says is for its developers, not for callers."""
        from valvecare.web.views import Endpoint

        words = super().get_description()
        return "" if words == get_doc(Endpoint) else words

    def _get_response_bodies(self, direction: Literal["request", "response"] = "response") -> Any:
        bodies = super()._get_response_bodies(direction)
        if direction != "response":
            return bodies
        for status, words in PROBLEMS.items():
            if str(status) not in bodies and not (self.method == "GET" and status in _WRITING_ONLY):
                response = OpenApiResponse(Problem, description=words)
                bodies[str(status)] = self._get_response_for_code(
                    response, str(status), media_types=["application/problem+json"]
                )
        return bodies


def share_problem_answers(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Post-processing: the problem answers stand once in `components`, operations point to them.

    Only answers that are word for word the shared ones are replaced; it is a third of the size.
    """
    shared = result.setdefault("components", {}).setdefault("responses", {})
    for methods in result["paths"].values():
        for operation in methods.values():
            answers = operation["responses"]
            named = {one.get("name") for one in operation.get("parameters", [])}
            if "If-Match" not in named:
                for unused in _VERSIONED_ONLY:
                    answers.pop(unused, None)
            for status, words in PROBLEMS.items():
                answer = answers.get(str(status))
                if answer is not None and answer.get("description") == words:
                    name = f"Problem{status}"
                    if shared.setdefault(name, answer) == answer:
                        answers[str(status)] = {"$ref": f"#/components/responses/{name}"}
    return result
