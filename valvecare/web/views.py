"""The base of our endpoints: authentication, scopes, parsers, problems, one place."""

from datetime import datetime
from typing import Any

from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.views import APIView

from valvecare.web import clock
from valvecare.web.auth import PlantTokenAuthentication, ScopePermission, SignedInSession
from valvecare.web.parsers import GuardedJSONParser
from valvecare.web.problems import exception_handler
from valvecare.web.renderers import FastJSONRenderer


class Endpoint(APIView):
    """Every endpoint of ours derives from this; nothing here depends on the host's settings.

    `required_scopes`: what a machine token needs, or `{method: [...]}`; absent: closed to tokens.
    """

    authentication_classes = (PlantTokenAuthentication, SignedInSession)
    permission_classes = (IsAuthenticated, ScopePermission)
    parser_classes: Any = (GuardedJSONParser,)
    renderer_classes: Any = (FastJSONRenderer,)
    required_scopes: Any = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        # the fingerprint of an Idempotency-Key needs the bytes, and the CSRF check of a session
        # would parse them away
        if "Idempotency-Key" in request.headers:
            _ = request.body
        super().initial(request, *args, **kwargs)

    def get_exception_handler(self) -> Any:
        return exception_handler

    @property
    def now(self) -> datetime:
        """The instant of this request; actions get it as an argument."""
        return clock.now()
