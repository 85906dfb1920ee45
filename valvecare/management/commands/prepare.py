"""Make an installation ready to serve: migrate, collect static files, check."""

from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand


class Command(BaseCommand):
    help = "Migrate the database and collect static files (run at every installation and upgrade)."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", interactive=False, verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        self.stdout.write("Database migrated, static files collected.")
