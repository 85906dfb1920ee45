"""Make an installation ready to serve: migrate, collect static files, default procedures."""

from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand
from django.utils import timezone

from valvecare.work.actions.load_procedures import load_default_set


class Command(BaseCommand):
    help = "Migrate, collect static files, add default procedures (at every upgrade)."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", interactive=False, verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        added = sum(line.is_new for line in load_default_set(at=timezone.now()))
        self.stdout.write(
            f"Database migrated, static files collected, {added} default procedures added."
        )
