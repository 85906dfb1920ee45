"""A PostgreSQL cluster of the test's own, on a free port, that the test may kill."""

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest

from tests.journeys.processes import free_port, wait_until


def _program(name: str) -> str | None:
    debian = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(debian[-1]) if debian else shutil.which(name)


def _unprivileged() -> str | None:
    """The server refuses to run as root: then as the user its package made."""
    if os.geteuid() != 0:
        return None
    with contextlib.suppress(KeyError):
        return pwd.getpwnam("postgres").pw_name
    pytest.skip("runs as root, and there is no user postgres for a server of the test's own")


@dataclass
class Cluster:
    folder: Path
    port: int
    user: str | None
    server: subprocess.Popen | None = None

    @property
    def url(self) -> str:
        return f"postgres://postgres@127.0.0.1:{self.port}/postgres"

    def _run_as(self) -> dict:
        return {"user": self.user, "group": self.user, "extra_groups": []} if self.user else {}

    def make(self, initdb: str) -> None:
        subprocess.run(
            [initdb, "-D", str(self.folder), "-U", "postgres", "-A", "trust", "-N"],
            check=True,
            capture_output=True,
            cwd="/",
            **self._run_as(),
        )

    def start(self) -> None:
        """Start, which after a kill means recovery from the log; returns when it answers."""
        program = _program("postgres")
        assert program
        log = (self.folder / "server.log").open("ab")
        options = [f"port={self.port}", "listen_addresses=127.0.0.1", "unix_socket_directories="]
        self.server = subprocess.Popen(
            [program, "-D", str(self.folder), *(w for one in options for w in ("-c", one))],
            stdout=log,
            stderr=subprocess.STDOUT,
            cwd="/",
            start_new_session=True,
            **self._run_as(),
        )
        wait_until(self._answers, 60, "the test's own database answers")

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.url.replace("postgres://", "postgresql://", 1)).close()
        except psycopg.OperationalError:
            return False
        return True

    def kill(self) -> None:
        """kill -9 of the postmaster and of every process it started."""
        assert self.server
        pid = self.server.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in (pid, *map(int, children)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        self.server.wait(20)

    def stop(self) -> None:
        if self.server and self.server.poll() is None:
            self.server.send_signal(signal.SIGQUIT)
            self.server.wait(20)


@contextlib.contextmanager
def own_cluster() -> Iterator[Cluster]:
    """A new cluster, removed afterwards. Skips with the reason where there can be none."""
    initdb = _program("initdb")
    if initdb is None:
        pytest.skip("needs PostgreSQL's own programs (initdb, postgres) on this machine")
    user = _unprivileged()
    folder = Path(tempfile.mkdtemp(prefix="valvecare-cluster-"))
    if user:
        shutil.chown(folder, user)
    cluster = Cluster(folder, free_port(), user)
    try:
        cluster.make(initdb)
        cluster.start()
        yield cluster
    finally:
        cluster.stop()
        shutil.rmtree(folder, ignore_errors=True)
