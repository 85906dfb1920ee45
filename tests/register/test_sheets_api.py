"""Import and export over HTTP."""

import csv
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import load_workbook
from rest_framework.test import APIClient

from tests.factories.register import SiteFactory, member, valve_at
from valvecare.core.permits import Role
from valvecare.models import Event, PumpGroup

pytestmark = pytest.mark.django_db
AT = "/api/v1/register/imports"
GROUPS = (
    b"site,code,service,installed,needed,common_return\nNH,NH-X,make-up,2,1,no\nNH,NH-Y,x,1,2,no\n"
)


@pytest.fixture
def site():
    return SiteFactory(code="NH")


@pytest.fixture
def planner(site):
    client = APIClient()
    client.force_login(member(site, Role.PLANNER))
    return client


def send(client, data=GROUPS, name="groups.csv", key="", **body):
    more = {"HTTP_IDEMPOTENCY_KEY": key} if key else {}
    return client.post(AT, {"file": SimpleUploadedFile(name, data), **body}, **more)


def test_a_dry_run_tells_everything_and_a_second_call_does_it(planner):
    answer = send(planner, dry_run="true")
    body = answer.json()
    assert answer.status_code == 200
    assert body["counts"] == [
        {"kind": "groups", "rows": 2, "added": 1, "changed": 0, "unchanged": 0, "refused": 1}
    ]
    assert body["errors_found"][0]["sentence"] == (
        "Sheet groups, row 3, column needed: '2' is not from 1 to the 1 installed."
    )
    assert body["changes"][0]["name"] == "NH-X"
    assert (body["is_dry_run"], body["was_written"], PumpGroup.objects.count()) == (True, False, 0)
    assert send(planner).json()["was_written"] is False
    done = send(planner, good_rows_only="true", confirm=body["fingerprint"]).json()
    assert (done["was_written"], PumpGroup.objects.get().code) == (True, "NH-X")


def test_an_unreadable_file_is_a_409_with_its_reason(planner):
    answer = send(planner, b"code\nX\n")
    assert (answer.status_code, answer.json()["code"]) == (409, "column_missing")
    answer = send(planner, b"PK\x03\x04xx", "x.xlsx")
    assert (answer.status_code, answer.json()["code"]) == (409, "unreadable")


def test_bad_calls_are_told(site, planner):
    assert planner.post(AT, {}).json()["errors"][0]["pointer"] == "/file"
    assert planner.post(AT, {}, format="json").status_code == 415
    assert send(planner, kind="people").status_code == 400
    assert send(planner, locale="xx").json()["code"] == "locale_unknown"
    assert send(APIClient()).status_code == 401
    big = planner.post(AT, {}, HTTP_CONTENT_LENGTH="99999999")
    assert big.status_code in (400, 413)


def test_a_repeated_upload_with_a_key_is_done_once(planner):
    first = send(planner, good_rows_only="true", key="k")
    assert first.json()["was_written"] is True
    # a multipart body has a boundary of its own, so the client must send the same bytes again
    assert send(planner, good_rows_only="true", key="k").status_code in (200, 422)
    assert Event.objects.filter(type="register.imported").count() == 1


@pytest.mark.parametrize("slug", ["sites", "groups", "valve-designs", "pumps", "valves"])
def test_an_export_has_the_rows_of_the_list_with_its_filters(slug, site, planner):
    valve_at(site, tag="A")
    valve_at(SiteFactory(code="SM"), tag="B")
    answer = planner.get(f"/api/v1/register/exports/{slug}.csv")
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert answer["Content-Disposition"].startswith('attachment; filename="')
    assert len(rows) == (2 if slug == "valve-designs" else 1)
    assert planner.get(f"/api/v1/register/exports/{slug}.csv?stauts=x").status_code == 400
    book = load_workbook(io.BytesIO(planner.get(f"/api/v1/register/exports/{slug}.xlsx").content))
    assert len(book.sheetnames) == 2
    if slug == "valves":
        answer = planner.get(f"/api/v1/register/exports/{slug}.csv?tag=Z")
        assert len(b"".join(answer.streaming_content).splitlines()) == 1


def test_the_whole_register_of_a_site_and_the_template(site, planner):
    valve_at(site, tag="A")
    answer = planner.get("/api/v1/register/exports/all.xlsx?site=NH")
    assert load_workbook(io.BytesIO(answer.content))["valves"].max_row == 2
    assert planner.get("/api/v1/register/exports/all.xlsx?site=SM").status_code == 404
    answer = planner.get("/api/v1/register/exports/template.xlsx")
    assert load_workbook(io.BytesIO(answer.content))["valves"].max_row == 1
