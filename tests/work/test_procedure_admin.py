"""Procedures in the admin and over the interface: the same actions, previews, two side by side."""

import json

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.procedures import TEST_STEPS, drafted, in_use, written
from tests.factories.register import SiteFactory, ValveDesignFactory, member, valve_at
from valvecare.core.permits import Role
from valvecare.models import Procedure, ProcedureVersion
from valvecare.work.reads import steps_of

pytestmark = pytest.mark.django_db

API = "/api/v1/procedure-versions"


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def engineer(site):
    return member(site, Role.RELIABILITY_ENGINEER, is_staff=True)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def url(name, *args):
    return reverse(f"admin:valvecare_procedureversion_{name}", args=args)


def text_of(answer):
    return answer.content.decode()


def act(client, row, name, key="k1", **given):
    fields = {"act": name, "version": row.version, "idempotency_key": key, **given}
    return client.post(url("change", row.pk), fields)


# ---- the admin


def test_the_list_is_cut_to_the_sites_of_the_person(site, engineer):
    drafted(site=site)
    drafted(code="shared")
    drafted(code="elsewhere", site=SiteFactory())
    text = text_of(signed_in(engineer).get(url("changelist")))
    assert ">ours<" in text
    assert ">shared<" in text
    assert "elsewhere" not in text


def test_a_version_shows_its_steps_and_what_it_lacks(site, engineer):
    row = drafted(TEST_STEPS[:1], site=site)
    text = text_of(signed_in(engineer).get(url("change", row.pk)))
    assert "Tag, plate and order agree." in text
    assert "These gates of a function test have no step: as-found recorded." in text
    other = drafted(code="elsewhere", site=SiteFactory())
    assert signed_in(engineer).get(url("change", other.pk)).status_code == 404


def test_steps_are_moved_and_taken_out(site, engineer):
    row = drafted(site=site)
    client = signed_in(engineer)
    words = [step["words"] for step in TEST_STEPS]
    assert act(client, row, "down", step=1).status_code == 302
    assert [step.words for step in steps_of(row.pk)][:2] == [words[1], words[0]]
    row.refresh_from_db()
    act(client, row, "up", key="k2", step=2)
    row.refresh_from_db()
    act(client, row, "remove", key="k3", step=8)
    assert [step.words for step in steps_of(row.pk)] == words[:-1]
    stale = act(client, row, "remove", key="k4", step=1)
    assert stale.status_code == 409
    assert "Somebody changed this record" in text_of(stale)
    assert len(steps_of(row.pk)) == 7


def step_fields(row, **given):
    return {
        "version": row.version,
        "idempotency_key": "s1",
        "place": 2,
        "phase": "inspect",
        "kind": "check",
        "words": "Pins locked.",
        "is_mandatory": "on",
        "cautions": ["sharp-parts", "lifting"],
        "fact_1": "has lever",
        "is_1": "yes",
        **given,
    }


def test_a_step_is_written_at_its_place_and_changed(site, engineer):
    row = drafted(site=site)
    client = signed_in(engineer)
    assert client.get(url("newstep", row.pk)).status_code == 200
    assert client.post(url("newstep", row.pk), step_fields(row)).status_code == 302
    steps = steps_of(row.pk)
    assert len(steps) == 9
    assert (steps[1].words, steps[1].cautions) == ("Pins locked.", ("sharp-parts", "lifting"))
    assert str(steps[1].when[0]) == "has lever"
    row.refresh_from_db()
    moved = step_fields(row, idempotency_key="s2", place=4, words="Pins locked and wired.")
    client.post(url("step", row.pk, 2), moved)
    assert [step.words for step in steps_of(row.pk)][3] == "Pins locked and wired."
    assert len(steps_of(row.pk)) == 9
    bad = client.post(url("newstep", row.pk), step_fields(row, is_1="", idempotency_key="s3"))
    assert bad.status_code == 400
    assert "A fact and its word belong together." in text_of(bad)
    stale = client.post(url("newstep", row.pk), step_fields(row, idempotency_key="s4"))
    assert stale.status_code == 409
    assert "Pins locked." in text_of(stale)
    assert len(steps_of(row.pk)) == 9


def test_a_draft_goes_in_use_by_a_second_person_and_is_withdrawn(site, engineer):
    row = drafted(site=site)
    writer = row.drafted_by
    writer.is_staff = True
    writer.save()
    own = act(signed_in(writer), row, "use", words="Mine.")
    assert own.status_code == 409
    assert "Who wrote a version cannot put it in use." in text_of(own)
    assert act(signed_in(engineer), row, "use", words="Read.").status_code == 302
    row.refresh_from_db()
    assert row.state == "in use"
    drafting = act(
        signed_in(engineer),
        row,
        "draft",
        key="k2",
        words="Shorter.",
        procedure_version=Procedure.objects.get().version,
    )
    new = ProcedureVersion.objects.get(number=2)
    assert drafting.headers["Location"] == url("change", new.pk)
    act(signed_in(engineer), row, "withdraw", key="k3", words="Too long.")
    row.refresh_from_db()
    assert (row.state, row.ended_why) == ("withdrawn", "Too long.")
    assert act(signed_in(engineer), row, "explode", key="k4").status_code == 404


def test_the_approver_who_owns_it_puts_it_in_use_but_does_not_write(site):
    row = drafted(site=site)
    Procedure.objects.update(owner=Role.APPROVER.value)
    client = signed_in(member(site, Role.APPROVER, is_staff=True))
    text = text_of(client.get(url("change", row.pk)))
    assert 'value="use"' in text
    assert 'value="withdraw"' in text
    assert 'value="draft"' not in text
    assert "Add a step at the end" not in text
    assert act(client, row, "use", words="Read.").status_code == 302
    row.refresh_from_db()
    assert row.state == "in use"
    text = text_of(client.get(url("change", row.pk)))
    assert 'value="draft"' not in text
    assert act(client, row, "withdraw", key="k2", words="Too long.").status_code == 302


def test_a_step_with_eight_conditions_keeps_them_all_through_the_form(site, engineer):
    facts = [
        "has lever", "has flow ring", "several bypass stages", "loaded cover",
        "lifting gear needed", "hot", "flashes to steam", "identified",
    ]  # fmt: skip
    row = drafted(site=site)
    given = {f"fact_{n}": fact for n, fact in enumerate(facts, 1)}
    given |= {f"is_{n}": "yes" for n in range(1, 9)}
    client = signed_in(engineer)
    assert client.post(url("newstep", row.pk), step_fields(row, **given)).status_code == 302
    assert [one.fact for one in steps_of(row.pk)[1].when] == facts
    page = text_of(client.get(url("step", row.pk, 2)))
    assert page.count("selected>") >= 8
    assert 'name="fact_8"' in page
    assert 'name="fact_9"' not in page


def test_a_plant_writes_its_own_from_what_is_there(site, engineer):
    source = in_use(code="shared")
    client = signed_in(engineer)
    page = client.get(url("add") + f"?from={source.pk}")
    assert "Begins with the steps of shared version 1" in text_of(page)
    fields = {
        "idempotency_key": "n1",
        "code": "our-own",
        "title": "Ours",
        "kind": "function test",
        "site": site.code,
        "owner": "reliability engineer",
        "source": "from shared",
    }
    made = client.post(url("add") + f"?from={source.pk}", fields)
    row = ProcedureVersion.objects.get(procedure__code="our-own")
    assert made.headers["Location"] == url("change", row.pk)
    assert steps_of(row.pk) == steps_of(source.pk)
    assert (row.procedure.site, row.state) == (site, "draft")
    for_all = client.post(url("add"), {**fields, "code": "b", "site": "", "idempotency_key": "n2"})
    assert for_all.status_code == 302  # no other site has a valve it would serve
    valve_at(SiteFactory())
    refused = client.post(url("add"), {**fields, "code": "c", "site": "", "idempotency_key": "n3"})
    assert refused.status_code == 409
    assert "You may not change procedure here." in text_of(refused)


def test_the_preview_says_which_steps_apply_at_a_valve_and_why(site, engineer):
    row = drafted(site=site)
    valve_at(site, tag="V-7", design=ValveDesignFactory(has_lever=False))
    valve_at(site, tag="V-8", design=None)
    client = signed_in(engineer)
    with_design = text_of(client.get(url("preview", row.pk), {"valve": "v-7"}))
    assert "7 of 8 steps apply at V-7." in with_design
    assert "not asked: has lever is no" in with_design
    without = text_of(client.get(url("preview", row.pk), {"valve": "V-8"}))
    assert "8 of 8 steps apply at V-8." in without
    assert "shown because &#x27;has lever&#x27; is not known" in without
    gone = text_of(client.get(url("preview", row.pk), {"valve": "V-9"}))
    assert "No valve of yours has the tag V-9." in gone


def test_two_versions_are_compared(site, engineer):
    one = drafted(site=site)
    other = drafted([*TEST_STEPS[:7], {**TEST_STEPS[7], "words": "Told."}], site=site, code="b")
    text = text_of(signed_in(engineer).get(url("compare", one.pk), {"with": other.pk}))
    assert "1 step differs; 7 are the same." in text
    assert "8. Told." in text
    assert signed_in(engineer).get(url("compare", one.pk)).status_code == 404


def test_who_has_no_part_in_it_sees_nothing(site):
    row = drafted(site=site)
    stranger = member(SiteFactory(), Role.RELIABILITY_ENGINEER, is_staff=True)
    for name in ("change", "preview", "compare", "newstep"):
        assert signed_in(stranger).get(url(name, row.pk)).status_code == 404
    technician = signed_in(member(site, Role.TECHNICIAN, is_staff=True))
    assert "Put in use" not in text_of(technician.get(url("change", row.pk)))
    assert act(technician, row, "remove", step=1).status_code == 409
    assert technician.get(url("add")).status_code == 403
    assert len(steps_of(row.pk)) == 8


# ---- the interface


def send(client, method, path, body, **headers):
    call = getattr(client, method)
    return call(path, json.dumps(body), content_type="application/json", headers=headers)


def test_versions_are_read_and_filtered(site, engineer):
    row = in_use(site=site)
    drafted(site=site, code="b")
    client = signed_in(engineer)
    page = client.get(API, {"state": "in use", "kind": "function test"}).json()
    assert [one["id"] for one in page["results"]] == [row.pk]
    assert "steps" not in page["results"][0]
    one = client.get(f"{API}/{row.pk}")
    assert one.headers["ETag"] == f'"{row.version}"'
    assert [step["words"] for step in one.json()["steps"]] == [s["words"] for s in TEST_STEPS]
    assert client.get(API, {"colour": "red"}).status_code == 400
    assert signed_in(member(SiteFactory(), Role.PLANNER)).get(f"{API}/{row.pk}").status_code == 404


def test_a_procedure_goes_from_nothing_to_in_use_over_the_interface(site, engineer):
    client = signed_in(engineer)
    made = send(
        client,
        "post",
        API,
        {
            "code": "by-machine",
            "title": "T",
            "kind": "function test",
            "site": site.code,
            "owner": "reliability engineer",
            "source": "invented",
        },
        **{"Idempotency-Key": "p1"},
    )
    assert made.status_code == 201, made.content
    pk = made.json()["id"]
    path = f"{API}/{pk}"
    given = {"steps": TEST_STEPS, "words": "All of it."}
    assert send(client, "put", path, given).status_code == 428
    wrote = send(client, "put", path, given, **{"If-Match": made.headers["ETag"]})
    assert wrote.status_code == 200, wrote.content
    assert steps_of(pk) == written(TEST_STEPS)
    stale = send(client, "put", path, given, **{"If-Match": made.headers["ETag"]})
    assert stale.status_code == 412
    etag = {"If-Match": wrote.headers["ETag"]}
    own = send(client, "post", f"{path}/use", {"words": "Mine."}, **etag)
    assert (own.status_code, own.json()["code"]) == (409, "second_person")
    second = signed_in(member(site, Role.RELIABILITY_ENGINEER))
    used = send(second, "post", f"{path}/use", {"words": "Read."}, **etag)
    assert used.json()["state"] == "in use"
    now = {"If-Match": used.headers["ETag"]}
    begin = {"words": "Next.", "procedure_version": used.json()["procedure_version"]}
    drafting = send(second, "post", f"{path}/draft", begin, **now)
    assert (drafting.json()["number"], drafting.json()["state"]) == (2, "draft")
    gone = send(second, "post", f"{path}/withdraw", {"words": "Too long."}, **now)
    assert gone.json()["ended_why"] == "Too long."


def test_a_badly_shaped_step_is_refused_by_its_field(site, engineer):
    row = drafted(site=site)
    for wrong in (
        {"phase": "inspect", "kind": "check"},
        {**TEST_STEPS[0], "when": [{"fact": "hot"}]},
        {**TEST_STEPS[0], "colour": "red"},
    ):
        answer = send(
            signed_in(row.drafted_by),
            "put",
            f"{API}/{row.pk}",
            {"steps": [wrong]},
            **{"If-Match": f'"{row.version}"'},
        )
        assert answer.status_code == 400
    assert len(steps_of(row.pk)) == 8


def test_the_preview_over_the_interface(site, engineer):
    row = drafted(site=site)
    valve = valve_at(site, design=ValveDesignFactory(has_lever=False))
    found = signed_in(engineer).get(f"{API}/{row.pk}/preview", {"valve": valve.pk}).json()
    assert [step["number"] for step in found["steps"] if not step["applies"]] == [6]
    assert found["facts"]["has lever"] == "no"
    assert signed_in(engineer).get(f"{API}/{row.pk}/preview").status_code == 400
