"""Run the MQTT bridge, or show what a topic map would make of messages (dry run)."""

import signal
import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser


class Command(BaseCommand):
    help = (
        "Subscribe to a broker and push what it delivers through the usual ingest. Needs the "
        "extra 'mqtt'. With --dry-run: read 'topic payload' lines from standard input and print "
        "the row each would become; nothing is stored, no broker is asked."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("map", type=Path, help="the topic map, a TOML file")
        parser.add_argument("--dry-run", action="store_true")

    def handle(self, *args: Any, map: Path, dry_run: bool, **options: Any) -> None:
        from valvecare.core.errors import Reason
        from valvecare.readings.bridges import Bridge, MapError, read_map, row_of

        try:
            topics = read_map(map)
        except MapError as error:
            raise CommandError(str(error)) from error
        if dry_run:
            for line in sys.stdin:
                topic, _, payload = line.strip().partition(" ")
                found = row_of(topics, topic, payload.encode())
                if isinstance(found, Reason):
                    self.stdout.write(f"refused: {found}")
                else:
                    self.stdout.write(
                        f"{found.series} {found.at.isoformat()} {found.value} "
                        f"{found.unit} {found.quality}"
                    )
            return
        bridge = Bridge(topics)
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: bridge.stopping.set())
        bridge.run()
        self.stdout.write(f"Stopped after {bridge.pushed} messages.")
