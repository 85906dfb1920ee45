"""Load the default set of procedures; loading again adds nothing and overwrites nothing."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from valvecare.work.actions.load_procedures import load_default_set


class Command(BaseCommand):
    help = "Add the default procedures that are missing; a plant's own are never touched."

    def handle(self, *args: Any, **options: Any) -> None:
        for line in load_default_set(at=timezone.now()):
            self.stdout.write(f"{line.code}: {line.words}")
