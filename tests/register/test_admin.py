"""The admin: rows of your sites only, changes through the actions, no delete, stale refused."""

import re

import pytest
from django.contrib import admin
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from knox.models import AuthToken

from tests.factories.register import (
    CURVE,
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    UserFactory,
    member,
    valve_at,
)
from valvecare.core.permits import Role
from valvecare.models import (
    CalendarRule,
    Event,
    Membership,
    PlantCredential,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.actions import issue_plant_credential
from valvecare.register.actions.pumps import curve_of

pytestmark = pytest.mark.django_db
OURS = [Site, PumpGroup, Pump, ValveDesign, ProtectionValve, CalendarRule, Membership,
        PlantCredential]  # fmt: skip


def at(model, page, *args):
    return reverse(f"admin:valvecare_{model._meta.model_name}_{page}", args=args)


@pytest.fixture
def site():
    return SiteFactory(code="NH")


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def planner(site):
    return client_of(member(site, Role.PLANNER, is_staff=True))


@pytest.fixture
def engineer(site):
    return client_of(member(site, Role.RELIABILITY_ENGINEER, is_staff=True))


@pytest.fixture
def administrator(site):
    return client_of(member(site, Role.SITE_ADMINISTRATOR, is_staff=True))


def filled(client, url, **changes):
    """What a browser would post: the form's own values with some changed."""
    form = client.get(url).context["adminform"].form
    data = {}
    for bound in form:
        value = bound.value()
        if value is not None and value is not False:
            data[bound.name] = value
    for formset in client.get(url).context["inline_admin_formsets"]:
        for bound in formset.formset.management_form:
            data[bound.html_name] = bound.value()
        for one in formset.formset.forms:
            for bound in one:
                data[bound.html_name] = "" if bound.value() is None else bound.value()
    return {name: value for name, value in (data | changes).items() if value is not None}


@pytest.mark.parametrize("model", OURS)
def test_lists_search_and_add_pages_open_and_nothing_can_be_deleted(model, site):
    valve_at(site, pump__with_curve=True)
    boss = client_of(UserFactory(is_superuser=True, is_staff=True))
    assert boss.get(at(model, "changelist") + "?q=x").status_code in (200, 302)
    kept = admin.site.get_model_admin(model)
    page = boss.get(at(model, "changelist"))
    assert page.status_code == 200
    assert b"delete_selected" not in page.content
    for row in model._base_manager.all()[:1]:
        assert boss.get(at(model, "change", row.pk)).status_code == 200
        assert boss.post(at(model, "delete", row.pk), {"post": "yes"}).status_code == 403
        assert kept.has_delete_permission(page.wsgi_request, row) is False


@pytest.mark.parametrize(
    "model", [Site, PumpGroup, Pump, ProtectionValve, CalendarRule, Membership]
)
def test_a_member_of_another_site_sees_nothing(model, site):
    valve = valve_at(site, tag="Zq9-1V", pump__tag="Zq9-1P", pump__group__code="Zq9-FW")
    CalendarRule.objects.create(
        site=site, name="Zq9 winter", from_month=11, from_day=1, to_month=3, to_day=31
    )
    member(site, username="Zq9-person")
    stranger = client_of(member(SiteFactory(code="SM"), Role.RELIABILITY_ENGINEER, is_staff=True))
    row = {Pump: valve.pump, PumpGroup: valve.pump.group, Site: site}.get(model)
    row = (
        row
        or model._base_manager.filter(
            **({"site": site} if model in (CalendarRule, Membership) else {})
        ).first()
    )
    for url in (at(model, "changelist"), at(model, "changelist") + "?q=Zq9"):
        text = stranger.get(url).content.decode()
        assert "Zq9-" not in text.replace('value="Zq9"', "")
        assert ">NH<" not in text
    assert stranger.get(at(model, "change", row.pk)).status_code == 302
    assert stranger.get(at(model, "history", row.pk)).status_code in (302, 404)
    if hasattr(model, "history") and row.history.exists():
        kept = row.history.first().pk
        assert stranger.get(at(model, "simple_history", row.pk, kept)).status_code == 404
    if model is not Membership:
        assert stranger.post(at(model, "change", row.pk), {"seen_version": 1}).status_code == 302
        row.refresh_from_db()
        assert row.version == 1


def test_choices_are_cut_to_the_sites_of_the_person(site, planner):
    PumpGroupFactory(site=SiteFactory(code="Zq9"), code="Zq9-FW")
    assert b"Zq9" not in planner.get(at(PumpGroup, "add")).content
    url = reverse("admin:autocomplete")
    query = {"app_label": "valvecare", "model_name": "pump", "field_name": "group", "term": "Zq9"}
    assert planner.get(url, query).json()["results"] == []
    foreign = PumpGroup.objects.get()
    answer = planner.post(
        at(Pump, "add"),
        {"group": foreign.pk, "tag": "X", "role": "duty", "medium": "water",
         "curve_points-TOTAL_FORMS": 0, "curve_points-INITIAL_FORMS": 0},
    )  # fmt: skip
    assert "group" in answer.context["adminform"].form.errors
    assert not Pump.objects.exists()


def test_staff_without_a_role_and_members_who_are_not_staff_are_kept_out(site):
    nobody = client_of(UserFactory(is_staff=True))
    assert nobody.get(at(Pump, "changelist")).status_code == 403
    visitor = client_of(member(site, Role.PLANNER))
    assert visitor.get(at(Pump, "changelist")).status_code == 302


def test_a_change_goes_through_the_action_with_reason_and_history(site, planner):
    valve = valve_at(site)
    url = at(ProtectionValve, "change", valve.pk)
    answer = planner.post(url, filled(planner, url, serial="S-77", reason="plate cleaned"))
    assert answer.status_code == 302
    valve.refresh_from_db()
    assert (valve.serial, valve.version) == ("S-77", 2)
    assert valve.history.first().history_change_reason == "plate cleaned"
    event = Event.objects.get()
    assert event.data["changes"] == {"serial": {"from": event.data["changes"]["serial"]["from"],
                                                "to": "S-77"}}  # fmt: skip
    assert b"plate cleaned" in planner.get(at(ProtectionValve, "history", valve.pk)).content
    first = valve.history.last().pk
    page = planner.get(at(ProtectionValve, "simple_history", valve.pk, first))
    assert page.status_code == 200
    assert planner.post(page.wsgi_request.path, {}).status_code == 403


def test_a_stale_form_is_refused_and_keeps_what_was_typed(site, planner):
    valve = valve_at(site)
    url = at(ProtectionValve, "change", valve.pk)
    data = filled(planner, url, serial="S-77")
    planner.post(url, filled(planner, url, remarks="first"))
    answer = planner.post(url, data)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "you saw version 1, it is now version 2" in page
    assert 'value="S-77"' in page
    valve.refresh_from_db()
    assert (valve.remarks, valve.version) == ("first", 2)


def test_a_new_record_through_the_admin_and_a_used_tag(site, planner):
    valve = valve_at(site, tag="V-1")
    pump = PumpFactory(group__site=site)
    data = {"tag": "V-1", "pump": pump.pk, "serial": "S", "stamped_identity": "not known",
            "seal_material": "EPDM", "attitude": "not known", "status": "in service"}  # fmt: skip
    answer = planner.post(at(ProtectionValve, "add"), data)
    assert b"The tag V-1 is in use at site NH already." in answer.content
    assert planner.post(at(ProtectionValve, "add"), data | {"tag": "V-2"}).status_code == 302
    new = ProtectionValve.objects.exclude(pk=valve.pk).get()
    assert (new.tag, new.history.get().history_type) == ("V-2", "+")
    assert Event.objects.get().type == "protectionvalve.added"


def test_fields_and_curve_of_a_pump_change_in_one_version(site, engineer):
    pump = PumpFactory(group__site=site, with_curve=True)
    url = at(Pump, "change", pump.pk)
    data = filled(engineer, url, **{"tag": "P-NEW", "curve_points-0-head_m": "870"})
    answer = engineer.post(url, data)
    assert b"Give the reason of the change." in answer.content
    assert curve_of(pump)[0] == CURVE[0]
    assert engineer.post(url, data | {"reason": "trimmed"}).status_code == 302
    pump.refresh_from_db()
    assert (pump.tag, pump.version, pump.history.count()) == ("P-NEW", 2, 2)
    assert curve_of(pump)[0] == (0.0, 870.0, 139.0)
    assert pump.hydraulics_changed_on is not None
    data = filled(engineer, url, **{"curve_points-1-flow_m3_per_h": "0", "reason": "x"})
    assert engineer.post(url, data).status_code == 200


def test_a_planner_cannot_change_the_curve(site, planner):
    pump = PumpFactory(group__site=site, with_curve=True)
    url = at(Pump, "change", pump.pk)
    answer = planner.post(url, filled(planner, url, speed_rpm="1480", reason="x"))
    assert b"Roles that may: pump owner, reliability engineer." in answer.content
    assert planner.post(url, filled(planner, url, role="standby")).status_code == 302


def test_a_new_pump_takes_its_curve_along(site, engineer):
    group = PumpGroupFactory(site=site)
    url = at(Pump, "add")
    data = filled(engineer, url, group=group.pk, tag="P-1", role="duty")
    data |= {"curve_points-0-flow_m3_per_h": 0, "curve_points-0-head_m": 90,
             "curve_points-1-flow_m3_per_h": 9, "curve_points-1-head_m": 80}  # fmt: skip
    assert engineer.post(url, data).status_code == 302
    assert curve_of(Pump.objects.get()) == ((0.0, 90.0, None), (9.0, 80.0, None))


def act(client, model, name, rows, **more):
    data = {"action": name, "_selected_action": [row.pk for row in rows], **more}
    query = "?retired=all" if hasattr(model, "retired_at") else ""
    return client.post(at(model, "changelist") + query, data, follow=True)


def test_retiring_asks_for_the_reason_and_tells_each_result(site, planner):
    valve, other = valve_at(site, tag="V-1"), valve_at(site, tag="V-2")
    page = act(planner, ProtectionValve, "retire_chosen", [valve])
    assert b"Retire these records?" in page.content
    versions = {f"version-{valve.pk}": "1", "go": "yes"}
    page = act(planner, ProtectionValve, "retire_chosen", [valve], **versions)
    assert b"V-1: V-1 leaves service. Give the reason." in page.content
    versions[f"version-{other.pk}"] = "9"
    page = act(planner, ProtectionValve, "retire_chosen", [valve, other], reason="old", **versions)
    assert b"V-1: done." in page.content
    assert b"V-2: Somebody changed this record: you saw version 9" in page.content
    valve.refresh_from_db()
    assert valve.status == "retired"
    versions = {f"version-{valve.pk}": "2", "go": "yes", "reason": "mistake"}
    act(planner, ProtectionValve, "bring_back_chosen", [valve], **versions)
    valve.refresh_from_db()
    assert valve.status == "spare"


def test_chosen_rows_are_exported_as_the_import_reads_them(site, planner):
    valve = valve_at(site)
    answer = planner.post(
        at(ProtectionValve, "changelist"),
        {"action": "export_chosen", "_selected_action": [valve.pk]},
    )
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert len(b"".join(answer.streaming_content).splitlines()) == 2


def test_a_retired_record_can_only_be_looked_at(site, planner):
    valve = valve_at(site, status="retired", retired_at="2026-01-01T00:00Z")
    page = planner.get(at(ProtectionValve, "change", valve.pk))
    assert page.status_code == 200
    assert b'name="serial"' not in page.content


def test_a_calendar_rule_keeps_its_groups(site, planner):
    group = PumpGroupFactory(site=site)
    data = {"site": site.pk, "name": "winter", "from_month": 11, "from_day": 1, "to_month": 3,
            "to_day": 31, "exempt_groups": [group.pk]}  # fmt: skip
    assert planner.post(at(CalendarRule, "add"), data).status_code == 302
    rule = CalendarRule.objects.get()
    assert list(rule.exempt_groups.all()) == [group]
    url = at(CalendarRule, "change", rule.pk)
    data |= {"seen_version": 1, "name": "frost", "exempt_groups": []}
    assert planner.post(url, data).status_code == 302
    rule.refresh_from_db()
    assert (rule.name, rule.version, rule.exempt_groups.count()) == ("frost", 2, 0)


def test_roles_are_given_and_ended_by_the_site_administrator(site, administrator, planner):
    UserFactory(username="a-person")
    data = {"login": "a-person", "site": site.pk, "role": "technician", "reason": "new"}
    assert administrator.post(at(Membership, "add"), data | {"login": "x"}).status_code == 200
    assert administrator.post(at(Membership, "add"), data).status_code == 302
    held = Membership.objects.get(user__username="a-person")
    answer = administrator.post(at(Membership, "add"), data)
    assert b"This person has this role at this site already." in answer.content
    assert planner.get(at(Membership, "add")).status_code == 403
    page = act(administrator, Membership, "end_chosen", [held], go="yes", reason="left")
    assert b": done." in page.content
    mine = Membership.objects.get(role="site administrator")
    page = act(administrator, Membership, "end_chosen", [mine], go="yes", reason="tired")
    assert b"This is the last site administrator of the site." in page.content
    assert Membership.objects.filter(pk=mine.pk).exists()


def test_a_token_is_shown_once_rotated_and_revoked(site, administrator, planner):
    url = at(PlantCredential, "issue")
    assert planner.get(url).status_code == 403
    other = SiteFactory(code="SM")
    data = {"name": "Historian", "sites": [site.pk], "scopes": ["due:read"], "days": 30}
    assert b"SM" not in administrator.get(url).content
    answer = administrator.post(url, data | {"sites": [other.pk]})
    assert (answer.context["token"], AuthToken.objects.count()) == (None, 0)
    answer = administrator.post(url, data)
    [token] = re.findall(rb'<code id="token">(vc_[0-9a-f]{64})</code>', answer.content)
    assert "no-store" in answer["Cache-Control"]
    credential = PlantCredential.objects.get()
    rotate = at(PlantCredential, "rotate", credential.pk)
    answer = administrator.post(rotate, {"days": 30})
    assert b"vc_" in answer.content
    assert b"has 2 live tokens already" in administrator.post(rotate, {"days": 30}).content
    assert token not in administrator.get(at(PlantCredential, "changelist")).content
    assert administrator.get(at(PlantCredential, "change", credential.pk)).status_code == 200
    act(administrator, PlantCredential, "revoke_chosen", [credential], go="yes", reason="leak")
    credential.refresh_from_db()
    assert credential.revoked_at is not None
    stranger = client_of(member(other, Role.SITE_ADMINISTRATOR, is_staff=True))
    assert stranger.post(rotate, {"days": 30}).status_code == 404
    assert b"Historian" not in stranger.get(at(PlantCredential, "changelist")).content


def test_the_import_page_previews_and_then_does_just_that(site, planner):
    url = reverse("admin:valvecare_register_import")
    head = b"site,code,service,installed,needed,common_return\n"
    file = SimpleUploadedFile("groups.csv", head + b"NH,NH-X,make-up,2,1,no\n")
    page = planner.post(url, {"file": file, "locale": "en"})
    assert b"preview, nothing is written yet" in page.content
    assert not PumpGroup.objects.exists()
    hidden = dict(re.findall(r'name="(kept|name)" value="([^"]+)"', page.content.decode()))
    [confirm] = re.findall(r'name="confirm" value="([^"]+)"', page.content.decode())
    done = planner.post(url, hidden | {"locale": "en", "confirm": confirm}, follow=True)
    assert b"Imported groups.csv: 1 added, 0 changed, 0 unchanged." in done.content
    assert PumpGroup.objects.get().code == "NH-X"
    again = planner.post(url, hidden | {"locale": "en", "confirm": confirm})
    assert b"The register has changed since the preview." in again.content
    bad = SimpleUploadedFile("groups.csv", head + b"NH,NH-Y,,2,3,no\n")
    page = planner.post(url, {"file": bad, "locale": "en"}).content
    assert b"Sheet groups, row 2, column service: is blank, but is needed." in page
    assert b'name="confirm"' not in page
    assert b"Choose a file." in planner.post(url, {"locale": "en"}).content
    assert b"damaged" in planner.post(url, {"locale": "en", "kept": "!"}).content
    auditor = client_of(member(site, Role.AUDITOR, is_staff=True))
    assert auditor.get(url).status_code == 403


@pytest.mark.parametrize(
    "model", [Site, PumpGroup, Pump, ValveDesign, ProtectionValve, Membership, PlantCredential]
)
def test_a_list_costs_the_same_for_few_rows_and_many(model, site):
    boss = UserFactory(is_superuser=True, is_staff=True)
    client = client_of(boss)
    seen = []
    for _ in range(2):
        for _ in range(4):
            valve_at(site)
            member(site)
            issue_plant_credential("X", [site], ["due:read"], 9, actor=boss, at=timezone.now())
        with CaptureQueriesContext(connection) as caught:
            assert client.get(at(model, "changelist")).status_code == 200
        seen.append(len(caught))
    assert seen[0] == seen[1] <= 12
