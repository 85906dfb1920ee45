"""Run the invented demo plant: build it once, print what is due and why, serve the site."""

import json
import os
import shutil
import sys
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser

from valvecare.core.conf import options as app_options


class Command(BaseCommand):
    help = (
        "The invented demo plant on an embedded database: builds it, pushes its readings, sweeps, "
        "prints the due list with reasons and serves the site. A second start keeps the data."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="do not serve")
        parser.add_argument("--json", action="store_true", help="print the due list as JSON lines")
        parser.add_argument("--reset", action="store_true", help="start anew")
        parser.add_argument("--address", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def handle(
        self,
        *args: Any,
        once: bool,
        json: bool,
        reset: bool,
        address: str,
        port: int,
        **options: Any,
    ) -> None:
        if not app_options().DEMO:
            self._again_in_demo_mode()
        from valvecare.project.demo.build import build

        say = self.stderr.write if json else self.stdout.write
        whole = Path(settings.DATA_DIR) / "demo-is-whole"
        if reset or not whole.exists():  # a build that was cut short starts anew
            whole.unlink(missing_ok=True)
            self._empty()
        call_command("migrate", interactive=False, verbosity=0)
        if whole.exists():
            say("The demo plant is there already (--reset starts anew).")
        else:
            build(say)
            whole.touch()
        self._print_due(as_json=json)
        if not once:
            self._serve(address, port, say)

    def _again_in_demo_mode(self) -> None:
        """Settings are read at start: start again in demo mode with a data folder of its own."""
        keep = (
            "PATH",
            "HOME",
            "TMPDIR",
            "LANG",
            "LC_ALL",
            "VIRTUAL_ENV",
            "PYTHONPATH",
            "LOG_LEVEL",
        )
        env = {name: os.environ[name] for name in keep if name in os.environ}
        folder = os.environ.get("DEMO_DATA_DIR") or str(settings.BASE_DIR / "var" / "demo")
        env |= {"DEMO": "1", "DATA_DIR": folder, "PYTHONUNBUFFERED": "1"}
        sys.stdout.flush()
        os.execve(sys.executable, [sys.executable, *sys.argv], env)  # noqa: S606 our own command

    def _empty(self) -> None:
        folder = Path(settings.DATA_DIR)
        for path in folder.glob("valvecare.sqlite3*"):
            path.unlink()
        shutil.rmtree(folder / "media", ignore_errors=True)

    def _print_due(self, *, as_json: bool) -> None:
        from valvecare.project.demo.build import due_lines

        for line in due_lines():
            if as_json:
                self.stdout.write(json.dumps(line, ensure_ascii=False))
            else:
                share = "  – " if line["share_used"] is None else f"{line['share_used']:.2f}"
                self.stdout.write(
                    f"{line['valve']:<9} {share:>5}  {line['governed_by']:<10} "
                    f"{line['due_on'] or '':<11} {line['verdict'] or '':<17} {line['reason']}"
                )

    def _serve(self, address: str, port: int, say: Any) -> None:
        from valvecare.project.demo.login import DEMO_PASSWORD
        from valvecare.project.demo.shape import records
        from valvecare.project.server import serve

        call_command("collectstatic", interactive=False, verbosity=0)
        people = ["demo-admin", *(row["login"] for row in records("people"))]
        say(f"\nServing the invented demo plant at http://{address}:{port}/ (Ctrl-C stops it).")
        say(f"Demo logins, password '{DEMO_PASSWORD}': {', '.join(people)}")
        say("The logins work in demo mode only. The demo day is 4 May 2026.")
        serve(address, port, background_here=True)
