"""The Register page, the search box, the last administrator and the commands."""

import io

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from tests.factories.register import (
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    UserFactory,
    member,
    valve_at,
)
from valvecare.core.errors import NotFound
from valvecare.core.permits import Role
from valvecare.models import PlantCredential, PumpGroup
from valvecare.register import reads
from valvecare.register.reads import Hit, register_finder, register_overview, valve_identity

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(code="NH")


@pytest.fixture
def person(site):
    return member(site, Role.PLANNER, username="nh-planner")


@pytest.fixture
def planner(person):
    client = Client()
    client.force_login(person)
    return client


def test_the_register_shows_what_is_there_and_what_is_not_known(site, planner):
    valve = valve_at(site, tag="NH-1V", design=None)
    PumpFactory(group=valve.pump.group, tag="NH-2P")
    PumpGroupFactory(site=site, code="NH-EMPTY")
    valve_at(SiteFactory(code="SM"), tag="SM-1V")
    page = planner.get("/register/").content.decode()
    for words in (
        "NH-1V",
        "no protection valve recorded",
        "No pumps recorded in this group.",
        "not known",
    ):
        assert words in page
    assert "SM-1V" not in page
    assert planner.get("/register/NH/").status_code == 200
    assert planner.get("/register/SM/").status_code == 404
    assert "You are a member of no site yet." in _empty_page()


def _empty_page():
    client = Client()
    client.force_login(UserFactory())
    return client.get("/register/").content.decode()


def test_the_counts_of_a_site(site, person):
    valve_at(site, pump__with_curve=True)
    valve_at(site, design=None)
    valve_at(site, status="retired", retired_at="2026-01-01T00:00Z")
    [line] = register_overview(person)
    assert (
        line.valves,
        line.not_identified,
        line.pumps_without_valve,
        line.pumps_without_curve,
    ) == (2, 1, 1, 2)


def test_the_register_page_costs_the_same_for_one_valve_and_for_many(
    site, planner, django_assert_num_queries
):
    for _ in range(2):
        for _ in range(4):
            valve_at(site)
        with django_assert_num_queries(6):
            assert planner.get("/register/").status_code == 200


def test_nobody_sees_the_pages_without_signing_in():
    for path in ("/register/", "/register/NH/", "/search?q=x"):
        answer = Client().get(path)
        assert answer.status_code == 302
        assert answer["Location"].startswith("/login/")


def test_an_exact_tag_or_serial_jumps_else_a_list(site, planner):
    valve = valve_at(site, tag="NH-1V", serial="SER-77", pump__tag="NH-1P")
    valve_at(site, tag="NH-11V")
    valve_at(SiteFactory(), tag="NH-1VX")
    target = reverse("valvecare:valve", args=[valve.pk])
    for text in ("NH-1V", "nh-1v", " SER-77 ", "NH-1P"):
        answer = planner.get("/search", {"q": text})
        assert (answer.status_code, answer["Location"]) == (302, target), text
    page = planner.get("/search", {"q": "NH-1"}).content.decode()
    assert "NH-11V" in page
    assert "NH-1VX" not in page


@pytest.mark.parametrize("text", ["", "  ", "%", "\0", "x" * 5000, "<script>", "'; --", "🦀"])
def test_any_search_text_is_answered(text, planner):
    answer = planner.get("/search", {"q": text})
    assert answer.status_code == 200
    assert b"<script>" not in answer.content


def test_a_later_capability_can_be_found(site, person):
    @register_finder
    def find_nothing(user, text):
        return [Hit("work order", "WO-000001", "NH", "", (), True)]

    try:
        valve_at(site, tag="NH-WO-1")
        hits = reads.search(person, "WO")
        assert [hit.name for hit in hits] == ["WO-000001", "NH-WO-1"]
    finally:
        reads.FINDERS.remove(find_nothing)


def test_the_identity_of_a_valve_is_one_answer(site, person, django_assert_num_queries):
    valve = valve_at(site, tag="NH-1V", pump__with_curve=True)
    other = PumpFactory(group=valve.pump.group)
    valve_at(site, tag="NH-2V", pump=other)
    with django_assert_num_queries(2):
        found = valve_identity(valve.pk, user=person)
    assert (found.tag, found.site.code, found.sisters) == ("NH-1V", "NH", ("NH-2V",))
    assert (found.pump.curve_points, found.design.dn) == (6, 100)
    assert found.site_of() is found.site
    with pytest.raises(NotFound):
        valve_identity(valve.pk, user=UserFactory())


def test_the_last_administrator_cannot_be_switched_off(site):
    boss = UserFactory(is_superuser=True, is_staff=True, username="boss")
    client = Client()
    client.force_login(boss)
    url = reverse("admin:auth_user_change", args=[boss.pk])
    form = client.get(url).context["adminform"].form
    data = {one.name: one.value() for one in form if one.value() not in (None, False)}
    for part in ("last_login", "date_joined"):
        value = data.pop(part, None)
        if value is not None:
            data |= {f"{part}_0": f"{value:%Y-%m-%d}", f"{part}_1": f"{value:%H:%M:%S}"}
    data.pop("is_superuser")
    answer = client.post(url, data)
    assert b"This is the last active administrator of the installation." in answer.content
    boss.refresh_from_db()
    assert boss.is_superuser
    UserFactory(is_superuser=True)
    assert client.post(url, data).status_code == 302
    boss.refresh_from_db()
    assert not boss.is_superuser
    assert client.post(reverse("admin:auth_user_delete", args=[boss.pk])).status_code == 403


def call(name, *args, **options):
    out, err = io.StringIO(), io.StringIO()
    call_command(name, *args, stdout=out, stderr=err, **options)
    return out.getvalue(), err.getvalue()


def test_the_import_command(site, person, tmp_path):
    head = "site,code,service,installed,needed,common_return\n"
    file = tmp_path / "groups.csv"
    file.write_text(head + "NH,NH-X,make-up,2,1,no\n")
    out, _ = call("import_register", str(file), login="nh-planner", dry_run=True)
    assert out.splitlines() == [
        "groups: 1 rows, 1 new, 0 changed, 0 unchanged, 0 refused",
        "Dry run: nothing was written.",
    ]
    assert not PumpGroup.objects.exists()
    call("import_register", str(file), login="nh-planner")
    assert PumpGroup.objects.get().code == "NH-X"
    file.write_text(head + "NH,NH-Y,x,1,2,no\nNH,NH-Z,x,1,1,no\n")
    with pytest.raises(CommandError, match=r"Nothing was written\."):
        call("import_register", str(file), login="nh-planner")
    _, err = call("import_register", str(file), login="nh-planner", good_rows_only=True)
    assert err.strip() == (
        "Sheet groups, row 2, column needed: '2' is not from 1 to the 1 installed."
    )
    with pytest.raises(CommandError, match="no active person with the login name 'x'"):
        call("import_register", str(file), login="x")
    with pytest.raises(CommandError, match="cannot be read"):
        call("import_register", str(tmp_path / "none.csv"), login="nh-planner")
    with pytest.raises(CommandError, match="is no known locale"):
        call("import_register", str(file), login="nh-planner", locale="xx")


def test_the_token_command_prints_the_token_once(site):
    member(site, Role.SITE_ADMINISTRATOR, username="nh-admin")
    scope = ("--scope", "due:read")
    out, err = call("issue_token", "Historian", "--as", "nh-admin", "--site", "NH", *scope)
    assert out.startswith("vc_")
    assert len(out.strip()) == 67
    assert "Shown once" in err
    assert PlantCredential.objects.get().scopes == ["due:read"]
    given = ("issue_token", "Historian", *scope, "--site", "NH")
    for more, words in (
        (("--as", "nh-admin", "--site", "SM"), "There is no such site for you: SM."),
        (("--as", "nh-admin", "--days", "400"), "A token lives 1 to 366 days, not 400."),
        (("--as", "x"), "There is no active person with the login name 'x'."),
    ):
        with pytest.raises(CommandError) as refused:
            call(*given, *more)
        assert str(refused.value).startswith(words)
    assert PlantCredential.objects.count() == 1
