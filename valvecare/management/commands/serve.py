"""Serve the site; the embedded mode also runs the background jobs in the same process."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser


class Command(BaseCommand):
    help = "Serve the site with granian. Put a buffering proxy in front of it on a network."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--address", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--workers", type=int, default=1)

    def handle(self, *args: Any, address: str, port: int, workers: int, **options: Any) -> None:
        from valvecare.project.server import serve

        threads = settings.BACKGROUND == "threads"
        serve(address, port, workers=workers, background_here=threads)
