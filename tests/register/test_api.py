"""The register over HTTP: shapes, versions, sites, roles, and every refusal as a problem."""

import pytest
from rest_framework.test import APIClient

from tests.factories.register import (
    CURVE,
    PumpFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.permits import Role
from valvecare.models import Event, ProtectionValve, PumpGroup

pytestmark = pytest.mark.django_db
LISTS = ["sites", "groups", "pumps", "valve-designs", "valves", "members", "events"]


@pytest.fixture
def site():
    return SiteFactory(code="NH")


def signed_in(user):
    client = APIClient()
    client.force_login(user)
    return client


@pytest.fixture
def planner(site):
    return signed_in(member(site, Role.PLANNER, username="nh-planner"))


@pytest.fixture
def engineer(site):
    return signed_in(member(site, Role.RELIABILITY_ENGINEER))


def test_a_valve_is_read_with_what_it_hangs_on(site, planner):
    valve = valve_at(site, tag="NH-1V")
    answer = planner.get(f"/api/v1/valves/{valve.pk}")
    body = answer.json()
    assert answer["ETag"] == '"1"'
    assert (body["tag"], body["version"], body["retired_at"]) == ("NH-1V", 1, None)
    assert body["site"]["name"] == "NH"
    assert body["pump"] == {
        "id": valve.pump.pk,
        "name": valve.pump.tag,
        "url": f"http://testserver/api/v1/pumps/{valve.pump.pk}",
    }
    assert body["design"]["name"] == str(valve.design)


def test_a_pump_is_read_with_its_curve(site, planner):
    pump = PumpFactory(group__site=site, with_curve=True)
    curve = planner.get(f"/api/v1/pumps/{pump.pk}").json()["curve"]
    assert [tuple(point.values()) for point in curve] == CURVE


def test_a_valve_is_added_changed_and_retired(site, planner):
    pump, design = PumpFactory(group__site=site), ValveDesignFactory()
    new = {"pump": pump.pk, "design": design.pk, "tag": "NH-9V", "serial": "S-9"}
    answer = planner.post("/api/v1/valves", new, format="json")
    assert (answer.status_code, answer["ETag"]) == (201, '"1"')
    assert answer.json()["seal_material"] == "not known"
    at = answer["Location"].removeprefix("http://testserver")
    answer = planner.patch(
        at, {"serial": "S-10", "reason": "plate"}, format="json", HTTP_IF_MATCH='"1"'
    )
    assert (answer.status_code, answer["ETag"], answer.json()["serial"]) == (200, '"2"', "S-10")
    answer = planner.post(f"{at}/retire", {"reason": "sold"}, format="json", HTTP_IF_MATCH='"2"')
    assert (answer.status_code, answer.json()["status"]) == (200, "retired")
    answer = planner.post(f"{at}/bring-back", {"reason": "no"}, format="json", HTTP_IF_MATCH='"3"')
    assert (answer.status_code, answer.json()["status"]) == (200, "spare")
    types = list(Event.objects.order_by("id").values_list("type", flat=True))
    assert types == [
        f"protectionvalve.{what}" for what in ("added", "changed", "retired", "brought_back")
    ]


def test_groups_pumps_designs_and_sites_are_added(site, engineer):
    group = {"site": site.pk, "code": "NH-X", "service": "x", "installed": 2, "needed": 1}
    answer = engineer.post("/api/v1/groups", group, format="json")
    assert answer.status_code == 201
    pump = {"group": answer.json()["id"], "tag": "NH-X-1P", "role": "duty", "speed_rpm": 2970}
    assert engineer.post("/api/v1/pumps", pump, format="json").status_code == 201
    design = {"code": "OAK", "dn": 50, "bypass_dn": 25, "principle": "lever"}
    assert engineer.post("/api/v1/valve-designs", design, format="json").status_code == 201
    new = {"code": "ZZ", "name": "Z", "time_zone": "UTC"}
    answer = engineer.post("/api/v1/sites", new, format="json")
    assert (answer.status_code, answer.json()["code"]) == (403, "forbidden")
    boss = signed_in(UserFactory(is_superuser=True))
    assert boss.post("/api/v1/sites", new, format="json").status_code == 201


def test_a_repeat_with_the_same_key_adds_once(site, planner):
    new = {"site": site.pk, "code": "NH-X", "service": "x", "installed": 2, "needed": 1}
    first = planner.post("/api/v1/groups", new, format="json", HTTP_IDEMPOTENCY_KEY="k1")
    again = planner.post("/api/v1/groups", new, format="json", HTTP_IDEMPOTENCY_KEY="k1")
    assert (first.status_code, again.status_code) == (201, 201)
    assert again["Idempotency-Replayed"] == "true"
    assert first.json() == again.json()
    other = planner.post(
        "/api/v1/groups", new | {"code": "Y"}, format="json", HTTP_IDEMPOTENCY_KEY="k1"
    )
    assert other.status_code == 422
    assert PumpGroup.objects.count() == 1


def test_if_match_is_required_and_stale_is_told_with_the_current_version(site, planner):
    valve = valve_at(site)
    at = f"/api/v1/valves/{valve.pk}"
    assert planner.patch(at, {"serial": "X"}, format="json").status_code == 428
    for given, status in (('"9"', 412), ("abc", 400), ("*", 400), ('"1', 200)):
        answer = planner.patch(at, {"serial": "X"}, format="json", HTTP_IF_MATCH=given)
        assert answer.status_code == status, given
    stale = planner.patch(at, {"serial": "Y"}, format="json", HTTP_IF_MATCH='"1"').json()
    assert (stale["code"], stale["current_version"]) == ("stale_version", 2)


def test_hydraulics_over_the_api_need_the_permit_and_the_reason(site, planner, engineer):
    pump = PumpFactory(group__site=site)
    at = f"/api/v1/pumps/{pump.pk}"
    body = {"speed_rpm": 1480}
    answer = planner.patch(at, body, format="json", HTTP_IF_MATCH='"1"')
    assert (answer.status_code, answer.json()["code"]) == (403, "forbidden")
    answer = engineer.patch(at, body, format="json", HTTP_IF_MATCH='"1"')
    problem = answer.json()
    assert (answer.status_code, problem["code"]) == (409, "reason_needed")
    assert problem["errors"][0]["remedy"] == "Give the reason of the change."
    answer = engineer.patch(
        at,
        body | {"reason": "new gear", "changed_on": "2026-04-01"},
        format="json",
        HTTP_IF_MATCH='"1"',
    )
    assert answer.json()["hydraulics_changed_on"] == "2026-04-01"


def test_a_curve_is_put(site, engineer):
    pump = PumpFactory(group__site=site)
    body = {
        "points": [{"flow_m3_per_h": 0, "head_m": 90}, {"flow_m3_per_h": 10, "head_m": 80}],
        "source": "works test",
        "speed_rpm": 2970,
        "density_kg_per_m3": 998,
    }
    at, kept = f"/api/v1/pumps/{pump.pk}/curve", {"format": "json", "HTTP_IF_MATCH": '"1"'}
    answer = engineer.put(at, body, **kept)
    assert answer.status_code == 409  # speed and density of the curve move
    answer = engineer.put(at, body | {"reason": "test"}, **kept)
    assert (answer.status_code, len(answer.json()["curve"])) == (200, 2)


@pytest.mark.parametrize(
    ("case", "body", "pointer", "words"),
    [
        ("text for a number", {"speed_rpm": "2970"}, "/speed_rpm", "Give a number, not text."),
        ("true for a number", {"speed_rpm": True}, "/speed_rpm", "Give a number, not text."),
        ("fraction for a whole", {"return_line_dn": 1.5}, "/return_line_dn", "Give a whole"),
        ("out of the limit", {"motor_efficiency": 95.0}, "", "motor_efficiency must be above 0"),
        ("unknown field", {"sped_rpm": 1}, "/sped_rpm", "Unknown field; known here: "),
        ("read-only field", {"version": 9}, "/version", "Unknown field"),
        ("foreign word", {"role": "boss"}, "/role", '"boss" is not a valid choice.'),
        ("blank identity", {"medium": ""}, "/medium", "This field may not be blank."),
        ("number for text", {"tag": 7}, "/tag", "Give text."),
        ("huge id", {"group": 10**18}, "/group", "There is no such pump group for you."),
        ("text id", {"group": "1"}, "/group", "Give a whole number, not text."),
    ],
)
def test_a_bad_body_is_told_by_pointer(case, body, pointer, words, site, engineer):
    pump = PumpFactory(group__site=site)
    answer = engineer.patch(
        f"/api/v1/pumps/{pump.pk}", body | {"reason": "r"}, format="json", HTTP_IF_MATCH='"1"'
    )
    assert answer.status_code == 400
    error = answer.json()["errors"][0]
    assert error["pointer"] == pointer or case == "out of the limit"
    assert error["detail"].startswith(words)
    pump.refresh_from_db()
    assert pump.version == 1


def test_records_of_another_site_do_not_exist(site, planner):
    valve = valve_at(SiteFactory())
    pump, group = valve.pump, valve.pump.group
    for path in (
        f"valves/{valve.pk}",
        f"pumps/{pump.pk}",
        f"groups/{group.pk}",
        f"sites/{group.site.pk}",
    ):
        assert planner.get(f"/api/v1/{path}").status_code == 404
        kept = {"format": "json", "HTTP_IF_MATCH": '"1"'}
        assert planner.patch(f"/api/v1/{path}", {"tag": "X"}, **kept).status_code == 404
        for act in ("retire", "bring-back"):
            answer = planner.post(f"/api/v1/{path}/{act}", {"reason": "x"}, **kept)
            assert answer.status_code == 404
    answer = planner.put(f"/api/v1/pumps/{pump.pk}/curve", {}, format="json", HTTP_IF_MATCH='"1"')
    assert answer.status_code == 404
    new = {"pump": pump.pk, "tag": "X"}
    answer = planner.post("/api/v1/valves", new, format="json")
    assert answer.json()["errors"][0]["detail"] == "There is no such pump for you."
    for kind in ("sites", "groups", "pumps", "valves"):
        found = [row["id"] for row in planner.get(f"/api/v1/{kind}").json()["results"]]
        assert found == ([site.pk] if kind == "sites" else [])


@pytest.mark.parametrize("kind", LISTS)
def test_nobody_in_means_401_and_an_unknown_parameter_400(kind, planner):
    answer = APIClient().get(f"/api/v1/{kind}")
    assert (answer.status_code, answer["Content-Type"]) == (401, "application/problem+json")
    answer = planner.get(f"/api/v1/{kind}?stauts=ok")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["detail"].startswith("Unknown query parameter; known here: ")


@pytest.mark.parametrize(
    ("case", "query", "status"),
    [
        ("bad word", "valves?status=lost", 400),
        ("bad id", "valves?pump=abc", 400),
        ("huge id", "valves?pump=99999999999999999999", 400),
        ("fraction", "valves?pump=1.5", 400),
        ("bad yes or no", "valves?is_retired=maybe", 400),
        ("NUL", "valves?tag=%00", 400),
        ("lookup", "valves?tag__startswith=N", 400),
        ("page too large", "valves?page_size=1000000000", 400),
        ("bad cursor", "valves?cursor=%ff", 400),
        ("foreign cursor", "valves?cursor=WzFd", 400),
        ("huge path id", "valves/99999999999999999999999", 404),
        ("text path id", "valves/abc", 404),
    ],
)
def test_a_bad_question_is_never_a_500(case, query, status, planner):
    assert planner.get(f"/api/v1/{query}").status_code == status


def test_filters_narrow_by_what_they_say(site, planner):
    here = valve_at(site, tag="A", serial="S1")
    spare = valve_at(site, tag="B", pump=here.pump, status="spare")
    gone = valve_at(site, tag="C", status="retired", retired_at="2026-01-01T00:00Z")
    for query, wanted in (
        ("tag=A", [here]),
        ("serial=S1", [here]),
        ("status=spare", [spare]),
        (f"pump={here.pump.pk}", [here, spare]),
        (f"group={gone.pump.group.pk}", [gone]),
        (f"design={gone.design.pk}", [gone]),
        ("is_retired=true", [gone]),
        ("is_retired=false", [here, spare]),
        ("site=NH", [here, spare, gone]),
        ("site=SM", []),
    ):
        rows = planner.get(f"/api/v1/valves?{query}").json()["results"]
        assert [row["id"] for row in rows] == [valve.pk for valve in wanted], query


def test_pages_follow_by_keyset(site, planner):
    for tag in "EDCBA":
        valve_at(site, tag=tag)
    seen, at = [], "/api/v1/valves?page_size=2"
    while at:
        answer = planner.get(at)
        seen.append([row["tag"] for row in answer.json()["results"]])
        at = answer.json()["next"]
        assert (f'<{at}>; rel="next"' == answer.get("Link")) is bool(at)
    assert seen == [["A", "B"], ["C", "D"], ["E"]]


@pytest.mark.parametrize(
    ("kind", "queries"),
    [
        ("sites", 3),
        ("groups", 3),
        ("pumps", 4),
        ("valve-designs", 3),
        ("valves", 3),
        ("members", 3),
    ],
)
def test_a_list_costs_the_same_for_one_row_and_for_many(
    kind, queries, site, planner, django_assert_num_queries
):
    for _ in range(2):
        for _ in range(3):
            valve_at(site, pump__with_curve=True)
            member(site, Role.TECHNICIAN)
        with django_assert_num_queries(queries):
            assert planner.get(f"/api/v1/{kind}").status_code == 200


def test_events_are_followed_by_id_and_cost_the_same(site, planner, django_assert_num_queries):
    valve, other = valve_at(site, tag="NH-1V"), SiteFactory()
    for event_type, where, what in (
        ("valve.opened", site, valve),
        ("pump.changed", site, None),
        ("pump.changed", other, None),
    ):
        Event.objects.create(
            at="2026-05-04T10:00Z",
            type=event_type,
            site=where,
            valve=what,
            object_type="x",
            object_id="1",
            object_name="x",
            actor_name="x",
        )
    first, second, _ = Event.objects.order_by("id").values_list("id", flat=True)
    for query, wanted in (
        ("", [first, second]),
        (f"?since={first}", [second]),
        ("?valve=NH-1V", [first]),
        ("?type=pump.changed", [second]),
        (f"?site={other.code}", []),
    ):
        with django_assert_num_queries(4):
            rows = planner.get(f"/api/v1/events{query}").json()["results"]
        assert [row["id"] for row in rows] == wanted, query
    assert (rows := planner.get("/api/v1/events?since=0")).status_code == 400
    contractor = signed_in(member(site, Role.CONTRACTOR))
    assert contractor.get("/api/v1/events").json()["results"] == []
    assert rows.json()["errors"][0]["pointer"] == "/since"


def test_me_says_who_where_and_what(site, planner):
    body = planner.get("/api/v1/me").json()
    assert (body["login"], body["is_administrator"], body["token"]) == ("nh-planner", False, None)
    [held] = body["sites"]
    assert (held["site"]["name"], held["roles"]) == ("NH", ["planner"])
    assert "change_plan" in held["permits"]
    assert "change_pump" not in held["permits"]


def test_undeclared_methods_have_no_effect(site, planner):
    valve = valve_at(site)
    at = f"/api/v1/valves/{valve.pk}"
    assert planner.delete(at).status_code == 405
    assert planner.put(at, {}, format="json").status_code == 405
    assert (
        planner.post(at, {}, format="json", HTTP_X_HTTP_METHOD_OVERRIDE="DELETE").status_code == 405
    )
    assert planner.get(at + "/").status_code == 404
    assert ProtectionValve.objects.filter(pk=valve.pk).exists()


def test_a_write_without_the_csrf_token_is_refused(site):
    client = APIClient(enforce_csrf_checks=True)
    client.force_login(member(site, Role.PLANNER))
    answer = client.post("/api/v1/groups", {}, format="json")
    assert (answer.status_code, answer["Content-Type"]) == (403, "application/problem+json")
