"""Who calls: people by session, plant systems by a Bearer token with scopes.

Tokens are stored hashed by the token library; our own record of scopes and life
(`PlantCredential`) is joined by digest. `required_scopes` on a view names what a token needs;
a view without it is closed to tokens (default deny), an empty list asks for any valid token.
"""

from datetime import timedelta
from typing import Any

from django.db import connection
from django.db.models.expressions import RawSQL
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.crypto import hash_token
from knox.models import get_token_model
from rest_framework.authentication import BaseAuthentication, SessionAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from valvecare.core.models import PlantCredential

LAST_USED_GRAIN = timedelta(minutes=1)


class PlantTokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer vc_…`; `request.auth` becomes the PlantCredential.

    One query: the token must live in the token library's table and in our own, which are joined
    by the digest. The digest is of a random token, so a look-up by it tells nothing by its time.
    """

    def authenticate_header(self, request: Any) -> str:
        return "Bearer"

    def authenticate(self, request: Any) -> Any:
        header = request.META.get("HTTP_AUTHORIZATION", "")
        scheme, _, token = header.partition(" ")
        if scheme.lower() != "bearer" or not token.strip():
            return None
        now = timezone.now()
        digest = hash_token(token.strip())
        credential = (
            PlantCredential.objects.select_related("service_user")
            .filter(
                digest__in=RawSQL(  # noqa: S611 a name of the library's own; quick to build
                    f"SELECT digest FROM {get_token_model()._meta.db_table} "  # noqa: S608
                    "WHERE digest = %s AND (expiry IS NULL OR expiry > %s)",
                    [digest, connection.ops.adapt_datetimefield_value(now)],
                ),
                revoked_at__isnull=True,
                expires_at__gt=now,
            )
            .first()
        )
        if credential is None:
            raise AuthenticationFailed("This token is not known, has ended or was revoked.")
        if not credential.service_user.is_active:
            raise AuthenticationFailed("The user of this token is not active.")
        if credential.last_used_at is None or credential.last_used_at < now - LAST_USED_GRAIN:
            PlantCredential.objects.filter(pk=credential.pk).update(last_used_at=now)
        return credential.service_user, credential


class PlantTokenScheme(OpenApiAuthenticationExtension):
    target_class = "valvecare.web.auth.PlantTokenAuthentication"
    name = "plantToken"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer", "description": "Machine token, shown once."}


class SignedInSession(SessionAuthentication):
    """Session login for people; answers 401 (not 403) when nobody is signed in."""

    def authenticate_header(self, request: Any) -> str:
        return "Session"


class SignedInSessionScheme(OpenApiAuthenticationExtension):
    target_class = "valvecare.web.auth.SignedInSession"
    name = "session"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        from django.conf import settings

        return {
            "type": "apiKey",
            "in": "cookie",
            "name": settings.SESSION_COOKIE_NAME,
            "description": "A person who is signed in; writes need the CSRF token too.",
        }


class ScopePermission(BasePermission):
    """Signed-in people pass (actions check their permits); tokens need the view's scopes."""

    message = "This token lacks the scope this endpoint needs."

    def has_permission(self, request: Request, view: Any) -> bool:
        user = request.user
        if not (user and user.is_authenticated and user.is_active):
            return False
        if isinstance(request.auth, PlantCredential):
            wanted = getattr(view, "required_scopes", None)
            if isinstance(wanted, dict):
                wanted = wanted.get(request.method)
            if wanted is None:
                self.message = "This endpoint is not open to machine tokens."
                return False
            return set(wanted) <= set(request.auth.scopes)
        return True
