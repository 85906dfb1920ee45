"""Start the real program as an operator would: server, worker, beat, on databases of their own."""

import contextlib
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import redis

ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "a-long-journey-password"


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_until(check, seconds: float, what: str):
    """Poll `check` until it returns something true; fail with `what` otherwise."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with contextlib.suppress(OSError):
            found = check()
            if found:
                return found
        time.sleep(0.2)
    raise AssertionError(f"not within {seconds:g} s: {what}")


@dataclass
class Installation:
    """One installation with its environment; processes are started and stopped by pid."""

    env: dict[str, str]
    port: int
    logs: Path
    running: dict[str, subprocess.Popen] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def manage(self, *words: str, stdin: str | None = None) -> str:
        done = subprocess.run(
            [sys.executable, str(ROOT / "manage.py"), *words],
            env=self.env,
            input=stdin,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
        return done.stdout

    def start(self, name: str, *words: str) -> subprocess.Popen:
        log = (self.logs / f"{name}.log").open("ab")
        process = subprocess.Popen(
            [sys.executable, *words],
            env=self.env,
            stdout=log,
            stderr=subprocess.STDOUT,
            cwd=ROOT,
            start_new_session=True,
        )
        self.running[name] = process
        return process

    def start_web(self, workers: int = 1) -> None:
        self.start(
            "web",
            "manage.py",
            "serve",
            "--port",
            str(self.port),
            "--workers",
            str(workers),
        )
        wait_until(self.alive, 60, "the server answers /livez")

    def start_worker(self) -> None:
        self.start(
            "worker",
            "-m",
            "celery",
            "-A",
            "valvecare.project",
            "worker",
            "--concurrency",
            "2",
            "--loglevel",
            "WARNING",
        )

    def start_beat(self) -> None:
        self.start(
            "beat",
            "-m",
            "celery",
            "-A",
            "valvecare.project",
            "beat",
            "--schedule",
            str(self.logs / "beat"),
            "--loglevel",
            "WARNING",
        )

    def ask_worker(self, job: str, slot: str) -> None:
        """Send the message that makes a worker run a job now (an operator's command)."""
        done = subprocess.run(
            [
                *(sys.executable, "-m", "celery", "-A", "valvecare.project"),
                *("call", "valvecare.run_job", "-a", f'["{job}", "{slot}"]'),
            ],
            env=self.env,
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-2000:]

    def alive(self) -> bool:
        with urllib.request.urlopen(f"{self.url}/livez", timeout=2) as answer:
            return answer.status == 200

    def kill(self, name: str) -> None:
        """kill -9 of the process and its children."""
        process = self.running.pop(name)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)

    def stop(self) -> None:
        for process in self.running.values():
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
        for process in self.running.values():
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait(10)
        self.running.clear()

    def log_of(self, name: str) -> str:
        return (self.logs / f"{name}.log").read_text("utf-8", errors="replace")[-4000:]


def _base_env(folder: Path, **more: str) -> dict[str, str]:
    keep = ("PATH", "HOME", "TMPDIR", "LANG", "PYTHONPATH", "OPENBLAS_CORETYPE")
    env = {name: os.environ[name] for name in keep if name in os.environ}
    return env | {
        "SECRET_KEY": secrets.token_urlsafe(60),
        "ALLOWED_HOSTS": "127.0.0.1,localhost",
        "SECURE": "0",
        "DATA_DIR": str(folder / "data"),
        "DJANGO_SETTINGS_MODULE": "valvecare.project.settings",
        "DJANGO_SUPERUSER_PASSWORD": PASSWORD,
        "PYTHONUNBUFFERED": "1",
        **more,
    }


def own_redis() -> str:
    """The Redis of this test process: parallel processes must not take each other's messages."""
    base, number = os.environ["REDIS_TEST_URL"].rsplit("/", 1)
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    return f"{base}/{int(number) - int(worker)}"


@contextlib.contextmanager
def production(folder: Path) -> Iterator[Installation]:
    """PostgreSQL database and Redis number of its own; dropped afterwards."""
    parts = urlsplit(os.environ["DATABASE_URL"])
    name = f"journey_{os.getpid()}_{secrets.token_hex(3)}"
    admin = urlunsplit(("postgresql", parts.netloc, "/postgres", "", ""))
    with psycopg.connect(admin, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    redis_url = own_redis()
    store = redis.Redis.from_url(redis_url)
    store.flushdb()
    installation = Installation(
        env=_base_env(
            folder,
            DATABASE_URL=urlunsplit(("postgres", parts.netloc, f"/{name}", "", "")),
            REDIS_URL=redis_url,
        ),
        port=free_port(),
        logs=folder,
    )
    try:
        installation.manage("prepare")
        yield installation
    finally:
        installation.stop()
        store.flushdb()
        store.close()
        with psycopg.connect(admin, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


@contextlib.contextmanager
def embedded(folder: Path, **more: str) -> Iterator[Installation]:
    """SQLite and background threads in the one server process; `more` is added to its settings."""
    installation = Installation(env=_base_env(folder, **more), port=free_port(), logs=folder)
    try:
        installation.manage("prepare")
        yield installation
    finally:
        installation.stop()
