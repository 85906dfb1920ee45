"""docs/api.md is run: every curl block against a live server, every shown answer compared.

Compared are the status and the shape: the same keys at every depth, values of the same kind.
`"…": "…"` in a shown object stands for more keys.
"""

import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.factories.due import act_of, policy_for
from tests.factories.readings import SeriesFactory
from tests.factories.register import (
    PASSWORD,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.permits import Role
from valvecare.models import VerdictPolicy, WorkOrder
from valvecare.register.actions import issue_plant_credential
from valvecare.register.rules import Scope
from valvecare.work.tasks import run_sweep

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "api.md"
BLOCK = re.compile(
    r"^```sh\n(?P<script>.*?)^```\n"
    r"(?:```(?P<kind>json|text) (?P<status>\d{3})\n(?P<answer>.*?)^```)?",
    re.M | re.S,
)
MORE = "…"
PROLOGUE = """set -aeuo pipefail
[ -f vars ] && . ./vars
curl() { command curl -w '%{stderr}%{http_code}\\n' "$@"; }
"""
EPILOGUE = "\nexport -p > vars\n"


@dataclass(frozen=True)
class Example:
    line: int
    script: str
    status: int
    answer: Any


def examples(text: str) -> list[Example]:
    found = []
    for match in BLOCK.finditer(text):
        line = text.count("\n", 0, match.start()) + 1
        assert "curl" in match["script"], f"line {line}: a sh block without curl is not run"
        assert match["status"], f"line {line}: no answer is shown below this curl"
        answer = json.loads(match["answer"]) if match["kind"] == "json" else None
        found.append(Example(line, match["script"], int(match["status"]), answer))
    return found


def differences(shown: Any, got: Any, at: str = "$") -> list[str]:
    """Where the answer has another shape than the shown one."""
    if isinstance(shown, dict) and isinstance(got, dict):
        wanted, more = set(shown) - {MORE}, MORE in shown
        found = [f"{at}: {key!r} is shown, not answered" for key in sorted(wanted - set(got))]
        if not more:
            found += [f"{at}: {key!r} is answered, not shown" for key in sorted(set(got) - wanted)]
        for key in sorted(wanted & set(got)):
            found += differences(shown[key], got[key], f"{at}.{key}")
        return found
    if isinstance(shown, list) and isinstance(got, list):
        if len(shown) > len(got) or (got and not shown):
            return [f"{at}: {len(shown)} rows are shown, {len(got)} answered"]
        pairs = zip(shown, got, strict=False)
        return [one for n, pair in enumerate(pairs) for one in differences(*pair, f"{at}[{n}]")]
    kinds = [bool, (int, float), str, dict, list]
    kind = [next((k for k in kinds if isinstance(value, k)), None) for value in (shown, got)]
    return [] if kind[0] == kind[1] else [f"{at}: {shown!r} is shown, {got!r} answered"]


@pytest.fixture
def world(live_server, tmp_path):
    """The invented plant of the guide, swept once."""
    at = datetime.now(UTC)
    site = SiteFactory(code="NH", atmospheric_pressure_bar_a=1.01325)
    design = ValveDesignFactory(code="OAK-100")
    policy_for(design_code="OAK-100", months=24, run_hours=12_000, at=at)
    VerdictPolicy.objects.create(
        margin_share=0.05,
        line_sensor_k=1,
        time_constant_share=0.3,
        power_share=0.01,
        source="invented",
        owner="engineer",
        valid_from=date(2020, 1, 1),
    )
    valves = []
    for n in (3, 4):
        names = {"tag": f"NH-FW-{n}V", "pump__tag": f"NH-FW-{n}P", "pump__group__code": f"NH-FW{n}"}
        valves.append(valve_at(site, design=design, pump__with_curve=True, **names))
        act_of(valves[-1], at - timedelta(days=1_000 + n), at=at)
    series = SeriesFactory(pump=valves[0].pump, tag="NH-FW-3P.HOURS")
    person = member(site, Role.PLANNER, username="bela")
    run_sweep(at, lambda: None)
    _, token = issue_plant_credential(
        "historian bridge",
        [site],
        [scope.value for scope in Scope],
        90,
        actor=UserFactory(is_superuser=True),
        at=at,
    )
    return {
        "BASE": live_server.url,
        "TOKEN": token,
        "SERIES": str(series.pk),
        "ORDER": str(WorkOrder.objects.get(valve=valves[0]).pk),
        "VALVE": str(valves[0].pk),
        "LOGIN": person.username,
        "PASSWORD": PASSWORD,
        "JAR": str(tmp_path / "cookies"),
        "PATH": "/usr/local/bin:/usr/bin:/bin",
        "HOME": str(tmp_path),
    }


def run(example: Example, env: dict[str, str], folder: Path) -> tuple[int, str]:
    """Status and body of the last request of the block."""
    done = subprocess.run(
        ["bash", "-c", PROLOGUE + example.script + EPILOGUE],
        env=env,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, f"line {example.line}: {done.stderr}"
    return int(done.stderr.split()[-1]), done.stdout


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(shutil.which("curl") is None, reason="needs curl")
def test_every_curl_of_the_guide_answers_as_shown(world, tmp_path):
    wrong = []
    shown = examples(GUIDE.read_text("utf-8"))
    assert len(shown) > 15
    for example in shown:
        status, body = run(example, world, tmp_path)
        if status != example.status:
            wrong.append(
                f"line {example.line}: {example.status} is shown, {status} answered: {body}"
            )
        elif example.answer is None:
            wrong += [f"line {example.line}: a body is answered: {body}"] if body else []
        else:
            found = differences(example.answer, json.loads(body))
            wrong += [f"line {example.line}: {one}" for one in found]
    assert wrong == []


def test_a_difference_of_shape_is_seen():
    shown = {"a": 1, "rows": [{"id": 1, "at": None}], "deep": {MORE: MORE, "b": "x"}}
    assert (
        differences(shown, {"a": 2.5, "rows": [{"id": 3, "at": None}], "deep": {"b": "", "c": 1}})
        == []
    )
    got = {"rows": [{"id": "3", "at": None, "new": 1}], "deep": {}, "more": 1}
    assert differences(shown, got) == [
        "$: 'a' is shown, not answered",
        "$: 'more' is answered, not shown",
        "$.deep: 'b' is shown, not answered",
        "$.rows[0]: 'new' is answered, not shown",
        "$.rows[0].id: 1 is shown, '3' answered",
    ]
