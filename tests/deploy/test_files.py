"""The deployment files are linted by the tools that read them (linted, not built)."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.skipif(not shutil.which("nginx"), reason="needs nginx: install nginx-light")
def test_nginx_accepts_the_proxy_file():
    done = run("nginx", "-t", "-c", str(DEPLOY / "nginx.conf"))
    assert done.returncode == 0, done.stderr
    assert "test is successful" in done.stderr


def test_the_compose_file_follows_the_compose_specification():
    done = run(
        sys.executable,
        "-m",
        "check_jsonschema",
        "--builtin-schema",
        "vendor.compose-spec",
        str(DEPLOY / "compose.yaml"),
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="needs systemd-analyze")
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_each_unit_is_hardened(unit):
    done = run("systemd-analyze", "security", "--offline=true", str(unit))
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    assert float(found.group(1)) < 3


def test_the_three_processes_have_a_unit_each():
    assert [unit.name for unit in UNITS] == [
        "valvecare-beat.service",
        "valvecare-web.service",
        "valvecare-worker.service",
    ]


def test_every_variable_of_the_example_is_read_by_the_settings():
    settings = (DEPLOY.parent / "valvecare" / "project" / "settings.py").read_text("utf-8")
    names = re.findall(r"^([A-Z_]+)=", (DEPLOY / "env.example").read_text("utf-8"), re.MULTILINE)
    assert len(names) >= 8
    missing = [name for name in names if f'"{name.removesuffix("_FILE")}"' not in settings]
    assert missing == []
