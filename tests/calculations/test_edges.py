"""Page, REST and command: one catalogue, one function, the same answer; shapes and refusals."""

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from drf_spectacular.generators import SchemaGenerator
from openapi_spec_validator import validate

from tests.factories.register import SiteFactory, UserFactory, member
from valvecare.core.permits import Role
from valvecare.engineering.catalogue import CATALOGUE, calculate
from valvecare.register.actions import issue_plant_credential
from valvecare.web import clock

ROOT = Path(__file__).parents[2]
NAMES = list(CATALOGUE)
pytestmark = pytest.mark.django_db


@pytest.fixture
def client():
    client = Client()
    client.force_login(UserFactory())
    return client


def post(client, name, inputs, **more):
    return client.post(
        f"/api/v1/calculations/{name}", json.dumps(inputs), content_type="application/json", **more
    )


def command(name, text, monkeypatch):
    """Exit code and JSON of `manage.py calculate`, run in this process."""
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(text.encode())))
    out = io.StringIO()
    code = 0
    try:
        call_command("calculate", name, stdout=out)
    except SystemExit as stop:
        code = stop.code
    return code, json.loads(out.getvalue())


@pytest.mark.parametrize("name", NAMES)
def test_page_rest_and_command_give_the_same_answer(name, client, monkeypatch):
    entry = CATALOGUE[name]
    inputs = entry.example_inputs()
    expected = calculate(name, inputs).as_dict()
    answer = post(client, name, inputs)
    assert answer.status_code == 200
    assert answer.json() == expected
    assert command(name, json.dumps(inputs), monkeypatch) == (0, expected)
    url = reverse("valvecare:calculation", args=[name])
    form = client.get(f"{url}?{client.get(url).context['example_query']}")
    assert form.status_code == 200
    typed = {}
    for field in form.context["fields"]:
        typed[field.item.name] = field.texts
        if field.item.unit:
            typed[field.item.name + ".unit"] = field.unit
    page = client.post(url, typed)
    assert page.status_code == 200
    shown = page.context["answer"].done.as_dict()
    assert shown["results"] == expected["results"]
    assert shown == expected


@pytest.fixture(scope="module")
def schema():
    return SchemaGenerator().get_schema(request=None, public=True)


def test_the_schema_is_valid_and_names_every_calculation(schema):
    validate(schema)
    operations = {
        path: set(methods) for path, methods in schema["paths"].items() if "/calculations" in path
    }
    assert operations.pop("/api/v1/calculations") == {"get"}
    assert operations == {f"/api/v1/calculations/{name}": {"get", "post"} for name in NAMES}


def resolved(schema, part):
    """The schema with our own component names inside it, for jsonschema."""
    return {**part, "components": schema["components"]}


@pytest.mark.parametrize("name", NAMES)
def test_example_and_answer_fit_the_published_shapes(name, schema):
    post_ = schema["paths"][f"/api/v1/calculations/{name}"]["post"]
    takes = post_["requestBody"]["content"]["application/json"]["schema"]
    gives = post_["responses"]["200"]["content"]["application/json"]["schema"]
    entry = CATALOGUE[name]
    jsonschema.Draft202012Validator.check_schema(takes)
    jsonschema.validate(entry.example_inputs(), resolved(schema, takes))
    jsonschema.validate(calculate(name, entry.example_inputs()).as_dict(), resolved(schema, gives))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"not_an_input": 1}, takes)


def test_the_list_describes_what_each_takes(client):
    answer = client.get("/api/v1/calculations")
    assert answer.status_code == 200
    listed = {entry["name"]: entry for entry in answer.json()["calculations"]}
    assert list(listed) == NAMES
    flow = next(i for i in listed["kv-required"]["inputs"] if i["name"] == "flow_m3_per_h")
    assert flow["unit"] == "m3/h"
    assert flow["allowed"] == "above 0 and at most 72000 m³/h"
    assert "gal_us/min" in flow["other_units"]
    one = client.get("/api/v1/calculations/kv-required")
    assert one.json() == listed["kv-required"]


@pytest.mark.parametrize(
    ("name", "change", "named", "code"),
    [
        ("kv-required", {"flow_m3_per_h": None}, "flow_m3_per_h", "out_of_range"),
        ("kv-required", {"flow_m3_per_h": -5}, "flow_m3_per_h", "out_of_range"),
        ("kv-required", {"flow": 5}, "flow", "out_of_range"),
        (
            "kv-required",
            {"upstream_pressure_bar_a": {"value": 6, "unit": "bar_g"}},
            "upstream_pressure_bar_a",
            "out_of_range",
        ),
        (
            "spring-preload",
            {"installed_mm": 190.0},
            "free_mm",
            "out_of_range",
        ),
        ("weibull-fit", {"lives": [{"time_h": 5, "failed": False}] * 3}, None, "not_enough_data"),
        ("suction-return-rise", {"bypass_share": 1}, None, "no_solution"),
    ],
)
def test_a_refusal_is_a_problem_that_names_the_input(name, change, named, code, client):
    inputs = {**CATALOGUE[name].example_inputs(), **change}
    answer = post(client, name, {k: v for k, v in inputs.items() if v is not None})
    assert answer.status_code == 422
    assert answer["Content-Type"].startswith("application/problem+json")
    body = answer.json()
    assert body["code"] == code
    if named:
        assert body["errors"][0]["input"] in (named, "installed_mm")
        assert body["errors"][0]["allowed"]
    else:
        assert body["detail"]


@pytest.mark.parametrize("body", ["[1]", "{", '{"flow_m3_per_h": NaN}', '"text"'])
def test_a_body_that_is_no_object_is_400(body, client):
    answer = client.post("/api/v1/calculations/kv-required", body, content_type="application/json")
    assert answer.status_code == 400


def test_an_unknown_name_is_404(client):
    assert client.get("/api/v1/calculations/no-such").status_code == 404
    assert client.get("/calculations/no-such/").status_code == 404


@pytest.mark.parametrize(("scopes", "status"), [(["calculations:run"], 200), (["due:read"], 403)])
def test_a_token_needs_the_scope(scopes, status):
    site = SiteFactory()
    admin = member(site, Role.SITE_ADMINISTRATOR, is_superuser=True)
    _, secret = issue_plant_credential("plant", [site], scopes, 10, actor=admin, at=clock.now())
    answer = post(
        Client(),
        "kv-required",
        CATALOGUE["kv-required"].example_inputs(),
        HTTP_AUTHORIZATION=f"Bearer {secret}",
    )
    assert answer.status_code == status


def test_nobody_gets_in():
    assert post(Client(), "kv-required", {}).status_code == 401
    assert "login" in Client().get("/calculations/")["Location"]


def test_the_page_keeps_the_input_and_names_the_field(client):
    url = reverse("valvecare:calculation", args=["spring-preload"])
    answer = client.post(url, {"rate_n_per_mm": "30", "free_mm": "1,8", "installed_mm": "140"})
    assert answer.status_code == 422
    text = answer.content.decode()
    wrong = re.search(r'<p class="wrong" id="wrong-free_mm">([^<]*)</p>', text)
    assert "write a point for the decimals, not a comma" in wrong.group(1)
    assert 'value="1,8"' in text
    assert 'value="30"' in text
    assert "answer" not in answer.context or answer.context["answer"] is None


def test_the_page_takes_another_unit(client):
    url = reverse("valvecare:calculation", args=["gauge-to-absolute"])
    answer = client.post(
        url,
        {
            "pressure_bar_g": "43.5113",
            "pressure_bar_g.unit": "psig",
            "atmospheric_pressure_bar_a": "1.01325",
        },
    )
    assert answer.status_code == 200
    results = answer.context["answer"].done.as_dict()["results"]
    assert results["pressure_bar_a"] == pytest.approx(4.01325, rel=1e-5)
    assert "psi gauge" in answer.content.decode()


def test_the_page_refuses_a_name_it_does_not_know(client):
    url = reverse("valvecare:calculation", args=["spring-preload"])
    assert client.get(f"{url}?rate=3").status_code == 400
    assert client.post(url, {"rate": "3"}).status_code == 400


def test_a_curve_is_pasted_as_comma_separated_values(client):
    url = reverse("valvecare:calculation", args=["flow-by-head"])
    typed = {
        "curve": "flow_m3_per_h,head_m,shaft_power_kw\n120,1140,512\n160,1020,580\n\n",
        "best_efficiency_flow_m3_per_h": "160",
        "curve_density_kg_per_m3": "955",
        "curve_speed_rpm": "2970",
        "curve_source": "invented",
        "head_m": "1080",
        "u_head_m": "10",
    }
    answer = client.post(url, typed)
    assert answer.status_code == 200, answer.context["refusal"]
    results = answer.context["answer"].done.as_dict()["results"]
    assert results["flow_m3_per_h"] == pytest.approx(140.0)


def test_a_tick_box_left_alone_is_not_taken_as_none_seen(client):
    """Nothing ticked is nothing said; 'none' is a statement."""
    entry = CATALOGUE["seat-disposition"]
    url = reverse("valvecare:calculation", args=[entry.name])
    typed = {k: str(v) for k, v in entry.example_inputs().items() if k != "damage"}
    typed["contact_ring_complete"] = "yes"
    answer = client.post(url, typed)
    assert answer.status_code == 422
    assert answer.context["refused"].item.name == "damage"
    assert client.post(url, {**typed, "damage": ["none"]}).status_code == 200
    assert client.post(url, {**typed, "damage": ["none", "crack"]}).status_code == 422


def test_the_list_page_links_every_calculation(client):
    text = client.get(reverse("valvecare:calculations")).content.decode()
    for name in NAMES:
        assert f'href="{reverse("valvecare:calculation", args=[name])}"' in text


def run_command(*args, stdin=""):
    """The command as a process without settings of ours: no secret, no database."""
    env = {"PATH": os.environ["PATH"], "DATABASE_URL": "postgres://nobody@127.0.0.1:1/none"}
    return subprocess.run(  # noqa: S603
        [sys.executable, "manage.py", "calculate", *args],
        cwd=ROOT,
        env=env,
        input=stdin,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_the_command_needs_no_database_and_no_secret():
    entry = CATALOGUE["spring-preload"]
    done = run_command(entry.name, stdin=json.dumps(entry.example_inputs()))
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == calculate(entry.name, entry.example_inputs()).as_dict()


@pytest.mark.parametrize(
    ("name", "stdin", "named"),
    [
        ("spring-preload", '{"rate_n_per_mm": 30}', "free_mm"),
        ("no-such", "{}", "calculation"),
        ("spring-preload", "[]", "inputs"),
        ("spring-preload", "{", None),
    ],
)
def test_the_command_exits_with_2_and_a_problem(name, stdin, named, monkeypatch):
    code, body = command(name, stdin, monkeypatch)
    assert code == 2
    if named:
        assert body["status"] == 422
        assert body["errors"][0]["input"] == named
    else:
        assert body["status"] == 400


def test_the_command_lists_and_describes():
    out = io.StringIO()
    call_command("calculate", "--list", stdout=out)
    assert [line.split()[0] for line in out.getvalue().splitlines()] == NAMES
    out = io.StringIO()
    call_command("calculate", "kv-required", "--describe", stdout=out)
    assert json.loads(out.getvalue())["name"] == "kv-required"
