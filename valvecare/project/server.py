"""Serve with granian: one process with threads embedded, n workers in production."""

import os


def serve(address: str, port: int, *, workers: int = 1, background_here: bool = True) -> None:
    """Serve until SIGTERM or Ctrl-C. `background_here` starts the job thread in the process."""
    from granian.constants import Interfaces
    from granian.server import Server

    if background_here:
        os.environ["VALVECARE_BACKGROUND_HERE"] = "1"
    Server(
        "valvecare.project.wsgi:application",
        address=address,
        port=port,
        interface=Interfaces.WSGI,
        workers=workers,
        blocking_threads=8,
        log_access=False,
    ).serve()
