"""What the phone relies on: answers in JSON, replays, photographs, an order taken along."""

import io
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from tests.core.test_pictures import jpeg, with_position
from tests.factories.procedures import in_use
from tests.factories.register import SiteFactory, member
from tests.factories.work import Job, WorkOrderFactory
from tests.work.test_pages import act_url, bring, page_of, send, signed_in, text_of
from valvecare.core.permits import Role
from valvecare.models import Event, Finding, Gate, IdempotentAnswer, Photo, TakenAlong, WorkOrder
from valvecare.work.rules import GATES, GateKind, OrderKind
from valvecare.work.rules.photos import PHOTOS_PER_ORDER, PHOTOS_PER_STEP

pytestmark = pytest.mark.django_db
JSON = {"Accept": "application/json"}
FOUND = {"part": "body", "found": "groove", "grade": "3", "decision": "lap"}
HOSTILE_NAMES = (
    "../../etc/passwd.jpg",
    "..\\..\\boot.ini.jpg",
    "/absolute.jpg",
    "a.jpg/../../b.py",
    "<script>alert(1)</script>.jpg",
    "photo.php",
    "photo.jpg.exe",
    ".htaccess",
    "name\r\nSet-Cookie: a=b.jpg",
    "n" * 300 + ".jpg",
    "CON.jpg",
)


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.VALVECARE = {"MEDIA_ROOT": str(tmp_path)}
    return tmp_path


@pytest.fixture
def job():
    return Job(SiteFactory(time_zone="Europe/Oslo"))


def post(client, order, verb, fields=None, *, key="phone-key", version=None):
    data = {"version": version or order.version, "idempotency_key": key, **(fields or {})}
    return client.post(act_url(order, verb), data, headers=JSON)


def upload(data=None, name="photograph.jpg"):
    return SimpleUploadedFile(name, data or jpeg(), content_type="image/jpeg")


# ---- answers in JSON


def test_accepted_names_the_new_version_and_the_page(job):
    job.to_under_way()
    answer = post(signed_in(job.technician), job.order, "gates", {"gate": "isolated"})
    assert answer.status_code == 200
    assert answer.json() == {
        "outcome": "accepted",
        "version": job.order.version + 1,
        "url": page_of(job.order),
    }
    assert WorkOrder.objects.get(pk=job.order.pk).version == job.order.version + 1


def test_refused_carries_the_rules_words_and_the_bad_fields(job):
    job.to_under_way()
    client = signed_in(job.technician)
    rule = post(client, job.order, "findings", FOUND)
    assert (rule.status_code, rule.json()["outcome"]) == (409, "refused")
    assert "A part can be judged after 'cover released'." in rule.json()["words"][0]
    shape = post(client, job.order, "findings", {**FOUND, "value": "0,1x"})
    assert shape.status_code == 400
    assert shape.json()["words"] == ["Measured value: Give a number in figures, for example 29.4."]


def test_a_conflict_shows_the_order_as_it_is_and_writes_nothing(job):
    bring(job, "to_opened")
    before = Gate.objects.count()
    answer = post(
        signed_in(job.technician),
        job.order,
        "gates",
        {"gate": GateKind.PARTS_JUDGED.value},
        version=job.order.version - 2,
    )
    body = answer.json()
    assert (answer.status_code, body["outcome"]) == (412, "conflict")
    assert body["version"] == job.order.version
    told = {line["what"]: line["words"] for line in body["now"]}
    assert told["State"].startswith("under way")
    assert job.technician.get_username() in told["Gate 'cover released'"]
    assert Gate.objects.count() == before


def test_a_step_that_lay_on_the_phone_was_done_when_it_was_written(job, settings):
    settings.VALVECARE = {"DEMO": True, "TODAY": "2026-05-05"}
    job.to_under_way()
    post(signed_in(job.technician), job.order, "gates", {"gate": "isolated", "waited_s": "3600"})
    row = Gate.objects.get()
    assert abs((row.recorded_at - row.at) - timedelta(hours=1)) < timedelta(seconds=1)


# ---- replays


@pytest.mark.parametrize("times", range(1, 11))
def test_ten_replays_are_one_record_even_after_eight_days(job, times, media, figure):
    """S-26: the `times`-th replay comes after eight days; answers are equal, one record stands."""
    bring(job, "to_opened")
    client = signed_in(job.technician)
    photo = jpeg()
    answers = []
    for turn in range(11):
        if turn == times:
            kept = IdempotentAnswer.objects.get(key="phone-key")
            IdempotentAnswer.objects.filter(pk=kept.pk).update(
                created_at=kept.created_at - timedelta(days=8)
            )
        fields = {**FOUND, "photos": upload(photo), "waited_s": str(turn * 100)}
        answers.append(post(client, job.order, "findings", fields))
    assert {(answer.status_code, answer.content) for answer in answers} == {
        (200, answers[0].content)
    }
    figure("S-26", f"records, replay {times} after 8 days", Finding.objects.count(), 11)
    assert Finding.objects.count() == Photo.objects.count() == 1
    assert len(list(media.rglob("*.jpg"))) == 1


def test_another_body_under_a_used_key_is_refused_a_hundred_times(job, figure):
    job.to_under_way()
    client = signed_in(job.technician)
    post(client, job.order, "gates", {"gate": "isolated", "words": "first"})
    codes = [
        post(client, job.order, "gates", {"gate": "isolated", "words": f"other {turn}"}).status_code
        for turn in range(100)
    ]
    figure("S-28", "other bodies under a used key refused", codes.count(422), len(codes))
    assert codes.count(422) == 100
    assert Gate.objects.get().words == "first"


def test_another_photograph_under_a_used_key_is_another_body(job):
    bring(job, "to_opened")
    client = signed_in(job.technician)
    assert post(client, job.order, "findings", {**FOUND, "photos": upload()}).status_code == 200
    again = post(client, job.order, "findings", {**FOUND, "photos": upload(jpeg((32, 32)))})
    assert again.status_code == 422
    assert Photo.objects.count() == 1


# ---- photographs


def test_a_photograph_comes_with_its_finding_and_loses_its_position(job, media):
    bring(job, "to_opened")
    client = signed_in(job.technician)
    fields = {**FOUND, "photos": [upload(with_position()), upload()], "photo_words": "Seat, left."}
    answer = send(client, job.order, "findings", fields)
    assert answer.status_code == 303
    first, second = Photo.objects.order_by("id")
    assert first.finding == second.finding == Finding.objects.get()
    stored = (media / first.file).read_bytes()
    assert (len(stored), first.width, first.height) == (first.size, 64, 48)
    assert not Image.open(io.BytesIO(stored)).getexif()
    event = Event.objects.get(type="work_order.photos_added")
    assert event.data["photos"][0] == {"id": first.pk, "sha256": first.sha256}
    page = text_of(client.get(page_of(job.order)))
    assert reverse("valvecare:photo", args=[first.pk]) in page
    assert 'enctype="multipart/form-data"' in page
    assert 'capture="environment"' in page


def test_as_found_takes_a_photograph_too(job):
    job.to_under_way()
    fields = {"words": "Warm bypass line.", "photos": upload()}
    assert send(signed_in(job.technician), job.order, "as-found", fields).status_code == 303
    assert Photo.objects.get().finding is None


def test_a_refused_step_keeps_no_photograph(job, media):
    job.to_under_way()
    send(signed_in(job.technician), job.order, "findings", {**FOUND, "photos": upload()})
    assert Photo.objects.count() == 0
    assert list(media.rglob("*.jpg")) == []


def test_what_is_no_picture_is_told_at_the_field(job):
    bring(job, "to_opened")
    fields = {**FOUND, "photos": upload(b"<svg/>")}
    answer = send(signed_in(job.technician), job.order, "findings", fields)
    assert answer.status_code == 400
    assert "not a whole JPEG, PNG or WebP picture" in text_of(answer)
    assert Finding.objects.count() == 0


def test_no_hostile_name_is_kept(job, media, figure):
    bring(job, "to_opened")
    client = signed_in(job.technician)
    for turn, name in enumerate(HOSTILE_NAMES):
        version = WorkOrder.objects.get(pk=job.order.pk).version
        fields = {**FOUND, "photos": upload(name=name)}
        answer = send(client, job.order, "findings", fields, key=f"name-{turn}", version=version)
        assert answer.status_code == 303, name
    files = list(Photo.objects.values_list("file", flat=True))
    kept = [name for name in HOSTILE_NAMES if any(name[:8] in file for file in files)]
    figure("S-29", "hostile names of files kept", len(kept), len(HOSTILE_NAMES))
    assert (len(files), kept) == (11, [])
    assert len(list(media.rglob("*"))) - len({file[:9] for file in files}) == 12


def test_an_order_has_room_for_so_many_photographs(job):
    bring(job, "to_opened")
    client = signed_in(job.technician)
    fields = {**FOUND, "photos": [upload() for _ in range(PHOTOS_PER_STEP + 1)]}
    assert send(client, job.order, "findings", fields).status_code == 400
    fact = {"order": job.order, "revision": 1, "size": 1, "width": 1, "height": 1, "sha256": "x"}
    Photo.objects.bulk_create(
        Photo(**fact, file=f"f{n}", by=job.technician, at=job.at, recorded_at=job.at)
        for n in range(PHOTOS_PER_ORDER)
    )
    answer = send(client, job.order, "findings", {**FOUND, "photos": upload()})
    assert answer.status_code == 409
    assert f"holds {PHOTOS_PER_ORDER} photographs" in text_of(answer)


def test_a_photograph_is_served_to_its_site_only_and_never_as_a_page(job):
    bring(job, "to_opened")
    client = signed_in(job.technician)
    send(client, job.order, "findings", {**FOUND, "photos": upload()})
    url = reverse("valvecare:photo", args=[Photo.objects.get().pk])
    answer = client.get(url)
    assert b"".join(answer.streaming_content)[:3] == b"\xff\xd8\xff"
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["Content-Disposition"].startswith("attachment;")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Security-Policy"] == "sandbox; default-src 'none'"
    assert signed_in(member(SiteFactory(), Role.TECHNICIAN)).get(url).status_code == 404


# ---- taken along


def test_an_order_taken_along_is_seen_by_the_planner_until_it_is_back(job):
    job.to_readied()
    client, planner = signed_in(job.technician), signed_in(job.planner)
    before = WorkOrder.objects.get(pk=job.order.pk).version
    take = reverse("valvecare:order-taken-along", args=[job.order.pk])
    whole = reverse("valvecare:order-whole", args=[job.order.pk])
    for _ in range(2):
        answer = client.post(take)
        assert (answer.status_code, answer["Location"]) == (302, whole)
    assert TakenAlong.objects.count() == 1
    assert f"with {job.technician.get_username()} since" in text_of(planner.get(page_of(job.order)))
    back = reverse("valvecare:order-brought-back", args=[job.order.pk])
    assert client.post(back, headers=JSON).json() == {"outcome": "accepted"}
    assert "Out on a phone" not in text_of(planner.get(page_of(job.order)))
    assert WorkOrder.objects.get(pk=job.order.pk).version == before
    types = list(Event.objects.filter(type__contains="_along").values_list("type", flat=True))
    assert types == ["work_order.taken_along"]


def test_only_a_worker_of_the_site_takes_an_order_along(job):
    job.to_readied()
    take = reverse("valvecare:order-taken-along", args=[job.order.pk])
    assert signed_in(member(SiteFactory(), Role.TECHNICIAN)).post(take).status_code == 404
    assert signed_in(member(job.site, Role.AUDITOR)).post(take).status_code == 403
    assert TakenAlong.objects.count() == 0


def test_the_whole_order_has_every_step_to_the_close_in_its_order(job):
    job.to_readied()
    whole = reverse("valvecare:order-whole", args=[job.order.pk])
    text = text_of(signed_in(job.technician).get(whole))
    wanted = [
        "Start",
        "Confirm identity",
        "isolated",
        "As found",
        "cover released",
        "Judge a part: body",
    ]
    wanted += [f"Next gate: {gate}" for gate in GATES[OrderKind.STRIP_DOWN][3:]]
    wanted += ["Parts built in", "Function test", "Close"]
    places = [text.index(f"{words}</summary>") for words in wanted]
    assert places == sorted(places)
    assert "No step is open" in text_of(signed_in(job.planner).get(whole))


def test_the_whole_order_of_a_function_test_is_short():
    job = Job(SiteFactory())
    job.order = WorkOrderFactory(valve__pump__group__site=job.site, kind="function test")
    job.to_readied()
    whole = reverse("valvecare:order-whole", args=[job.order.pk])
    text = text_of(signed_in(job.technician).get(whole))
    assert text.count('id="step-') == 5  # start, identity, as found, test, close


def test_the_session_names_the_person_and_gives_a_token(job):
    answer = signed_in(job.technician).get(reverse("valvecare:phone-session"))
    assert answer.json()["user"] == job.technician.pk
    assert len(answer.json()["csrf"]) == 64


def test_a_start_that_fixes_a_procedure_tells_the_phone_to_look_again():
    job = Job(SiteFactory(), kind="function test").to_readied()
    client = signed_in(job.technician)
    whole = reverse("valvecare:order-whole", args=[job.order.pk])
    assert "Start while you have a connection" in text_of(client.get(whole))
    in_use()
    answer = post(client, job.order, "start").json()
    assert (answer["outcome"], answer["more"]) == ("accepted", True)
    text = text_of(client.get(whole))
    assert "Start while you have a connection" not in text
    assert "Steps: identify, 1" in text
