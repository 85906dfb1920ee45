"""What waits for the engineer, photographs over the interface, gauges taken out of service."""

import hashlib
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from tests.core.test_pictures import HOSTILE, jpeg
from tests.factories.register import SiteFactory, UserFactory, ValveDesignFactory, member
from tests.factories.work import GaugeFactory, Job, joint_closed, refused
from tests.work.test_torque import GOOD, JOINT
from valvecare.core.permits import Role
from valvecare.core.pictures import clean_picture
from valvecare.models import Event, Gauge, Photo
from valvecare.work.actions.gauges import bring_back_gauge, retire_gauge
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.photograph import photograph
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.rules import FindingGrade, GateKind, PartDecision, PartName

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def job(site):
    job = Job(site, valve__design=ValveDesignFactory(**JOINT)).to_under_way()
    return job.gate(GateKind.ISOLATED).as_found().gate(GateKind.COVER_RELEASED)


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = str(tmp_path)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


PAGE = "/at-the-valve/for-the-engineer/"


def test_a_finding_that_waits_is_decided_from_the_list(site, job):
    job.do(
        record_finding, PartName.BODY, found="deep scar", grade=FindingGrade.NOT_MEASURED,
        decision=PartDecision.CANNOT_DECIDE,
    )  # fmt: skip
    engineer = signed_in(member(site, Role.RELIABILITY_ENGINEER))
    html = engineer.get(PAGE).content.decode()
    assert f"{job.order.valve}: body" in html
    assert "deep scar, grade ? (not measured)" in html
    assert "for the engineer" in engineer.get(reverse("valvecare:my-work")).content.decode()
    act = reverse("valvecare:work-order-act", args=[job.order.pk, "decide"])
    given = {
        "part": "body", "decision": "reuse", "because": "Wall measured: 11 mm of 9.",
        "version": job.order.version, "idempotency_key": "k",
    }  # fmt: skip
    assert engineer.post(act, given).status_code == 303
    assert "Nothing waits." in engineer.get(PAGE).content.decode()


def test_a_joint_that_waits_is_decided_from_the_list(site, job):
    joint_closed(site)
    job.judge_parts().gate(GateKind.PARTS_JUDGED)
    given = {**GOOD, "torque_nm": 60.0, "disagree_because": "The gasket is half as wide."}
    job.do(pass_gate, GateKind.JOINT_CLOSED, **joint_closed(site, **given))
    person = member(site, Role.RELIABILITY_ENGINEER)
    engineer = signed_in(person)
    assert "The gasket is half as wide." in engineer.get(PAGE).content.decode()
    [row] = engineer.get("/api/v1/findings-for-engineer").json()["joints"]
    assert (row["order"], row["version"]) == (job.order.pk, job.order.version)
    act = reverse("valvecare:work-order-act", args=[job.order.pk, "decide-joint"])
    given = {"accept": "no", "because": "No.", "version": row["version"], "idempotency_key": "k"}
    assert engineer.post(act, given).status_code == 303
    assert "Nothing waits." in engineer.get(PAGE).content.decode()


def test_the_list_is_the_engineers_and_of_his_sites(site, job):
    job.do(
        record_finding, PartName.BODY, found="deep scar", grade=FindingGrade.NOT_MEASURED,
        decision=PartDecision.CANNOT_DECIDE,
    )  # fmt: skip
    assert signed_in(job.technician).get(PAGE).status_code == 403
    assert (
        "for the engineer" not in signed_in(job.technician).get("/at-the-valve/").content.decode()
    )
    elsewhere = signed_in(member(SiteFactory(), Role.RELIABILITY_ENGINEER))
    assert "Nothing waits." in elsewhere.get(PAGE).content.decode()
    assert signed_in(UserFactory()).get(PAGE).status_code == 403


def photo(data=None, name="../../etc/passwd.jpg"):
    return SimpleUploadedFile(name, jpeg() if data is None else data, "image/jpeg")


def test_photographs_go_in_over_the_interface_like_those_of_the_page(site, job):
    job.judge_parts()
    client = signed_in(job.technician)
    at = f"/api/v1/work-orders/{job.order.pk}/photos"
    match = {"HTTP_IF_MATCH": f'"{job.order.version}"'}
    body = {"photos": [photo(), photo()], "part": "main disc", "words": "two sides"}
    answer = client.post(at, body, **match)
    assert answer.status_code == 201
    rows = answer.json()["results"]
    assert [row["part"] for row in rows] == ["main disc"] * 2
    assert {row.finding.part for row in Photo.objects.all()} == {"main disc"}
    assert all("passwd" not in row.file for row in Photo.objects.all())
    again = client.post(at, {"photos": [photo()]}, **match)
    assert again.status_code == 412
    match = {"HTTP_IF_MATCH": answer["ETag"]}
    as_found = client.post(at, {"photos": [photo()]}, **match)
    assert as_found.json()["results"][0]["part"] == ""
    assert client.post(at, {"words": "none"}, **match).status_code == 400
    assert client.post(at, {"photos": [photo()]}).status_code == 428
    assert signed_in(UserFactory()).post(at, {"photos": [photo()]}, **match).status_code == 404
    planner = signed_in(job.planner)
    assert planner.post(at, {"photos": [photo()]}, **match).status_code in (403, 412)


def test_none_of_thirteen_hostile_files_is_kept_as_it_came_over_the_interface(site, job, figure):
    client = signed_in(job.technician)
    at = f"/api/v1/work-orders/{job.order.pk}/photos"
    kept = refused_ = 0
    for name, data in HOSTILE.items():
        version = type(job.order).objects.get(pk=job.order.pk).version
        answer = client.post(
            at, {"photos": [photo(data, f"{name}.jpg")]}, HTTP_IF_MATCH=f'"{version}"'
        )
        if answer.status_code == 201:
            kept += 1
            [row] = answer.json()["results"]
            assert row["sha256"] != hashlib.sha256(data).hexdigest()
        else:
            refused_ += 1
            assert answer.status_code in (400, 409, 413), name
    as_they_came = len(HOSTILE) - refused_ - kept
    figure("S-29", "hostile uploads kept as they came, over REST", as_they_came, len(HOSTILE))
    assert (len(HOSTILE), refused_, kept) == (13, 10, 3)
    assert Photo.objects.count() == 3


def test_the_same_photograph_sent_again_is_one(site, job):
    client = signed_in(job.technician)
    at = f"/api/v1/work-orders/{job.order.pk}/photos"
    data = jpeg()
    boundary = "b0und"
    body = (
        (
            f'--{boundary}\r\nContent-Disposition: form-data; name="photos"; filename="a.jpg"\r\n'
            "Content-Type: image/jpeg\r\n\r\n"
        ).encode()
        + data
        + f"\r\n--{boundary}--\r\n".encode()
    )
    kind = f"multipart/form-data; boundary={boundary}"
    headers = {"HTTP_IF_MATCH": f'"{job.order.version}"', "HTTP_IDEMPOTENCY_KEY": "once"}
    first = client.generic("POST", at, io.BytesIO(body).read(), kind, **headers)
    again = client.generic("POST", at, body, kind, **headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert Photo.objects.count() == 1


def test_a_photograph_needs_what_it_shows(site):
    job = Job(site).to_under_way()
    picture = clean_picture(jpeg())
    assert refused(job, photograph, [picture]) == "not_found_yet"
    assert refused(job, photograph, [picture], part=PartName.BODY) == "not_found_yet"
    assert refused(job, photograph, []) == "no_photo"


def test_a_gauge_is_retired_with_a_reason_and_measures_no_more(site, job):
    job.judge_parts().gate(GateKind.PARTS_JUDGED)
    given = joint_closed(site, **{**GOOD, "torque_nm": 135.0})
    wrench = Gauge.objects.get(code="TW-01")
    client = signed_in(job.planner)
    at = f"/api/v1/gauges/{wrench.pk}"
    json = {"content_type": "application/json"}
    moved = client.patch(at, {"calibrated_until": "2031-01-31"}, HTTP_IF_MATCH='"1"', **json)
    assert moved.json()["calibrated_until"] == "2031-01-31"
    assert client.post(f"{at}/retire", {"reason": "x"}, **json).status_code == 428
    blank = client.post(f"{at}/retire", {"reason": " "}, HTTP_IF_MATCH='"2"', **json)
    assert blank.status_code == 409
    gone = client.post(f"{at}/retire", {"reason": "dropped"}, HTTP_IF_MATCH='"2"', **json)
    assert gone.json()["retired_at"] is not None
    assert refused(job, pass_gate, GateKind.JOINT_CLOSED, **given) == "gauge_retired"
    technician = signed_in(job.technician)
    back = technician.post(f"{at}/bring-back", {"reason": "x"}, HTTP_IF_MATCH='"3"', **json)
    assert back.status_code == 403
    back = client.post(f"{at}/bring-back", {"reason": "repaired"}, HTTP_IF_MATCH='"3"', **json)
    assert back.json()["retired_at"] is None
    job.do(pass_gate, GateKind.JOINT_CLOSED, **given)
    assert Event.objects.filter(type__in=["gauge.retired", "gauge.brought_back"]).count() == 2


def gauge_fields(gauge, **given):
    return {
        "seen_version": gauge.version, "kind": gauge.kind, "range_low": gauge.range_low,
        "range_high": gauge.range_high, "unit": gauge.unit, "step": gauge.step,
        "calibrated_until": "2031-12-31", "note": "", **given,
    }  # fmt: skip


def test_a_gauge_is_added_and_changed_in_the_admin_as_over_the_interface(site):
    planner = member(site, Role.PLANNER, is_staff=True)
    client = signed_in(planner)
    gauge = GaugeFactory(site=site)
    new = {**gauge_fields(gauge), "site": site.pk, "code": "DG-77", "uncertainty": "0.02"}
    assert client.post(reverse("admin:valvecare_gauge_add"), new).status_code == 302
    made = Gauge.objects.get(code="DG-77")
    assert (made.uncertainty, made.uncertainty_share, made.version) == (0.02, None, 1)
    at = reverse("admin:valvecare_gauge_change", args=[made.pk])
    assert client.post(at, gauge_fields(made, uncertainty="0.03")).status_code == 302
    made.refresh_from_db()
    assert (made.uncertainty, made.version) == (0.03, 2)
    stale = client.post(at, gauge_fields(made, seen_version=1, uncertainty="0.04"))
    assert "Somebody changed this" in stale.content.decode()
    events = Event.objects.filter(object_type="gauge", object_id=str(made.pk)).order_by("id")
    assert [(one.type, one.actor) for one in events] == [
        ("gauge.added", planner),
        ("gauge.changed", planner),
    ]


def test_gauges_are_retired_from_the_admin_list(site):
    planner = member(site, Role.PLANNER, is_staff=True)
    gauge = GaugeFactory(site=site)
    client = signed_in(planner)
    at = reverse("admin:valvecare_gauge_changelist")
    body = {
        "action": "retire_chosen", "_selected_action": [gauge.pk], "go": "1",
        "reason": "dropped", f"version-{gauge.pk}": "1",
    }  # fmt: skip
    assert client.post(at, body).status_code == 302
    gauge.refresh_from_db()
    assert gauge.is_retired
    page = client.get(reverse("admin:valvecare_gauge_change", args=[gauge.pk]))
    assert 'name="_save"' not in page.content.decode()
    late = {**gauge_fields(gauge), "seen_version": 2}
    page = client.post(reverse("admin:valvecare_gauge_change", args=[gauge.pk]), late)
    gauge.refresh_from_db()
    assert (page.status_code, str(gauge.calibrated_until)) == (403, "2030-12-31")
    bring_back_gauge(gauge.pk, version=2, actor=planner, at=gauge.retired_at, reason="found")
    retire_gauge(gauge.pk, version=3, actor=planner, at=Job(site).at, reason="gone")
