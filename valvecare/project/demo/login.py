"""The printed demo logins. They exist only while demo mode is on; outside it this refuses."""

from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.backends import ModelBackend

from valvecare.core.conf import options
from valvecare.project.demo.shape import records

DEMO_PASSWORD = "demo"  # noqa: S105 printed on purpose, refused outside demo mode


class DemoLogin(ModelBackend):
    """Lets the invented people in by the printed password, in demo mode only."""

    def authenticate(
        self, request: Any, username: str | None = None, password: str | None = None, **_: Any
    ) -> Any:
        if not options().DEMO or password != DEMO_PASSWORD:
            return None
        names = {row["login"] for row in records("people")} | {"demo-admin"}
        user = get_user_model().objects.filter(username=username).first()
        if user is None or username not in names or user.has_usable_password():
            return None
        return user if self.user_can_authenticate(user) else None
