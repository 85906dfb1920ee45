"""Issue a machine token for a plant system; it is printed once."""

from typing import Any

from django.contrib.auth import get_user_model
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from valvecare.core.errors import ActionError
from valvecare.register.actions import issue_plant_credential
from valvecare.register.models import Site
from valvecare.register.rules import Scope


class Command(BaseCommand):
    help = "Issue a machine token. It is printed once and kept as a digest only."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the plant system that will hold the token")
        parser.add_argument("--as", dest="login", required=True, help="login name of who issues")
        parser.add_argument("--site", action="append", required=True, help="code; repeatable")
        parser.add_argument(
            "--scope", action="append", required=True, choices=[scope.value for scope in Scope]
        )
        parser.add_argument("--days", type=int, default=90)

    def handle(self, *args: Any, name: str, login: str, **options: Any) -> None:
        users = get_user_model()
        actor = users._default_manager.filter(**{users.USERNAME_FIELD: login}).first()
        if actor is None or not actor.is_active:
            raise CommandError(f"There is no active person with the login name {login!r}.")
        sites = list(Site.objects.for_user(actor).filter(code__in=options["site"]))
        missing = sorted(set(options["site"]) - {site.code for site in sites})
        if missing:
            raise CommandError(f"There is no such site for you: {', '.join(missing)}.")
        try:
            credential, token = issue_plant_credential(
                name, sites, options["scope"], options["days"], actor=actor, at=timezone.now()
            )
        except ActionError as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stderr.write(f"Valid until {credential.expires_at:%Y-%m-%d %H:%M %Z}. Shown once:")
        self.stdout.write(token)
