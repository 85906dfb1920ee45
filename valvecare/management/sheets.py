"""What the commands share that import a file of sheets: parse, one action, print."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

from django.contrib.auth import get_user_model
from django.core.management.base import BaseCommand, CommandError, CommandParser

from valvecare.core.errors import ActionError
from valvecare.web import clock


class SheetCommand(BaseCommand):
    """`run` is the action, `kinds` the words of its sheets, `flags` its own yes/no options."""

    run: ClassVar[Callable[..., Any]]
    kinds: ClassVar[tuple[str, ...]]
    flags: ClassVar[tuple[str, ...]] = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--as", dest="login", required=True, help="login name of who imports")
        parser.add_argument("--kind", choices=self.kinds)
        parser.add_argument("--locale", default="en", help="decimal mark: en 1.5, de 1,5")
        for name in ("dry_run", "good_rows_only", *self.flags):
            parser.add_argument(f"--{name.replace('_', '-')}", action="store_true")
        parser.add_argument("--reason", default="")

    def handle(self, *args: Any, file: Path, login: str, **options: Any) -> None:
        users = get_user_model()
        actor = users._default_manager.filter(**{users.USERNAME_FIELD: login}).first()
        if actor is None or not actor.is_active:
            raise CommandError(f"There is no active person with the login name {login!r}.")
        wanted = ("kind", "locale", "dry_run", "good_rows_only", "reason", *self.flags)
        try:
            result = type(self).run(
                file.read_bytes(),
                file.name,
                actor=actor,
                at=clock.now(),
                **{name: options[name] for name in wanted},
            )
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}.") from error
        except ActionError as refusal:
            raise CommandError(str(refusal)) from refusal
        for wrong in result.errors:
            self.stderr.write(str(wrong))
        for count in result.counts:
            self.stdout.write(
                f"{count.kind}: {count.rows} rows, {count.added} new, {count.changed} changed, "
                f"{count.unchanged} unchanged, {count.refused} refused"
            )
        if result.errors and not options["good_rows_only"]:
            raise CommandError("Nothing was written.")
        if result.is_dry_run:
            self.stdout.write("Dry run: nothing was written.")
