"""Compute the hash of every signed record again; exit 1 when one was changed or is missing."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from valvecare.work.reads import verify_signatures


class Command(BaseCommand):
    help = "Verify every signature: names each record that was changed after it was signed."

    def handle(self, *args: Any, **options: Any) -> None:
        count = 0
        broken = []
        for check in verify_signatures():
            count += 1
            if not check.is_intact:
                broken.append(check)
                self.stdout.write(
                    f"{check.order} revision {check.revision}, {check.signed}"
                    f"{', ' + check.name if check.name else ''}: {check.words}"
                )
        if broken:
            raise CommandError(f"{len(broken)} of {count} signatures are not as they were signed.")
        self.stdout.write(f"{count} signatures verified, none changed.")
