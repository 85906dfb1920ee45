"""A line to Redis that a test can cut (refused), hold (hangs) and mend."""

import contextlib
import socket
import threading
import time
from urllib.parse import urlsplit, urlunsplit

from tests.journeys.processes import free_port


class Line:
    """Forwards one local port to a server. `state`: 'whole', 'cut' or 'held'."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.target = (parts.hostname, parts.port or 6379)
        self.port = free_port()
        self.url = urlunsplit((parts.scheme, f"127.0.0.1:{self.port}", parts.path, "", ""))
        self.state = "cut"
        self.listener: socket.socket | None = None
        self.ends: list[socket.socket] = []

    def mend(self) -> None:
        self._listen()
        self.state = "whole"

    def hold(self) -> None:
        """Connections are taken, bytes go nowhere."""
        self._listen()
        self.state = "held"

    def cut(self) -> None:
        """Nothing listens; what was connected is closed."""
        self.state = "cut"
        listener, self.listener = self.listener, None
        for end in [listener, *self.ends]:
            if end is not None:
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
                end.close()
        self.ends.clear()

    def _listen(self) -> None:
        if self.listener is None:
            self.listener = socket.create_server(("127.0.0.1", self.port))
            threading.Thread(target=self._accept, args=(self.listener,), daemon=True).start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
                far = socket.create_connection(self.target)
            except OSError:
                return
            self.ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(one, other), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                while self.state == "held":
                    time.sleep(0.02)
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
