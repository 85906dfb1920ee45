"""Due and Why: the order of the list, filters that count, an unknown filter refused, the working.

The expected shares of the working are divisions done by hand in each test.
"""

import re
from datetime import UTC, date, datetime

import pytest
from django.test import override_settings

from tests.factories.look import fleet, task
from tests.factories.register import SiteFactory, member, valve_at
from valvecare.due.reads.listed import PAGE_SIZE

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.usefixtures("_demo_day"),
]


@pytest.fixture
def _demo_day():
    with override_settings(VALVECARE={"DEMO": True, "TODAY": "2026-05-04"}):
        yield


@pytest.fixture
def site(client):
    site = SiteFactory(code="NH", name="Norrhollow", time_zone="Europe/Stockholm")
    client.force_login(member(site))
    return site


def tags(html: str) -> list[str]:
    return re.findall(r'<th scope="row"><a class="strong" href="[^"]+">([^<]+)</a>', html)


def test_no_record_first_then_by_share_descending(client, site):
    for tag, state, share in (
        ("A", "not yet", 0.47),
        ("B", "overdue", 1.03),
        ("C", "no record", None),
        ("D", "overdue", 1.43),
        ("E", "coming up", 0.95),
    ):
        task(valve_at(site, tag=tag), state, share)
    assert tags(client.get("/due/").content.decode()) == ["C", "D", "B", "E", "A"]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("state=overdue", 2),
        ("state=no+record", 1),
        ("governed_by=starts", 1),
        ("kind=function+test", 1),
        ("site=NH", 5),
        ("site=NH&state=overdue&governed_by=starts", 1),
        ("state=not+yet", 0),
        ("", 5),
    ],
)
def test_a_filter_gives_exactly_its_rows_and_says_the_number(client, site, query, expected):
    fleet(site, [("overdue", 1.4), ("no record", None), ("coming up", 0.9)])
    task(valve_at(site), "overdue", 1.17, governed_by="starts")
    task(valve_at(site), "coming up", 0.93, kind="function test")
    html = client.get(f"/due/?{query}").content.decode()
    assert len(tags(html)) == expected
    assert f"{expected} task{'' if expected == 1 else 's'}" in html


def test_the_tabs_count_under_the_other_filters(client, site):
    fleet(site, [("overdue", 1.4), ("no record", None), ("coming up", 0.9)])
    other = SiteFactory(code="AF")
    fleet(other, [("overdue", 1.1)])
    html = client.get("/due/?site=NH&state=coming+up").content.decode()
    counts = re.findall(r"</svg>([a-z ]+) (\d+)</a>", html)
    assert counts == [("no record", "1"), ("overdue", "1"), ("coming up", "1"), ("not yet", "0")]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("stauts=overdue", "There is no filter called"),
        ("state=late", "Select a valid choice"),
        ("site=ZZ", "Select a valid choice"),
        ("page=0", "greater than or equal to 1"),
    ],
)
def test_a_filter_nobody_knows_is_refused_not_ignored(client, site, query, words):
    fleet(site, [("overdue", 1.4)])
    answer = client.get(f"/due/?{query}")
    assert answer.status_code == 400
    assert words in answer.content.decode()
    assert tags(answer.content.decode()) == []


def test_many_groups_are_typed_not_chosen(client, site, monkeypatch):
    monkeypatch.setattr("valvecare.due.reads.listed.MOST_CHOICES", 1)
    items = fleet(site, [("overdue", 1.4), ("coming up", 0.9)])
    code = items[0].group.code
    html = client.get(f"/due/?group={code}").content.decode()
    assert '<select name="group"' not in html
    assert '<select name="site"' in html
    assert len(tags(html)) == 1
    assert len(tags(client.get("/due/?group=nobody").content.decode())) == 0


def test_pages_hold_all_rows_once_and_cost_the_same(client, site, django_assert_num_queries):
    fleet(site, [("not yet", 0.5)] * (PAGE_SIZE + 3))
    with django_assert_num_queries(6):
        first = client.get("/due/?state=not+yet").content.decode()
    with django_assert_num_queries(6):
        second = client.get("/due/?state=not+yet&page=2").content.decode()
    assert len(tags(first)) == PAGE_SIZE
    assert len(tags(second)) == 3
    assert not set(tags(first)) & set(tags(second))
    assert "Page 2 of 2" in second
    assert 'href="?state=not+yet&amp;page=1"' in second


def test_an_empty_list_says_what_to_do(client, site):
    assert "Tasks appear when valves are in the register" in client.get("/due/").content.decode()


def test_another_site_is_not_listed(client, site):
    item = fleet(SiteFactory(code="AF"), [("overdue", 1.1)])[0]
    assert tags(client.get("/due/").content.decode()) == []
    assert client.get(f"/due/{item.pk}/").status_code == 404


def test_why_shows_the_division_behind_the_share(client, site):
    from tests.factories.due import act_of, policy_for
    from valvecare.models import DueItem

    valve = valve_at(site, tag="NH-FW-3V")
    policy_for(valve=valve, months=24, run_hours=16_000, starts=None)
    act_of(valve, datetime(2023, 6, 22, 8, tzinfo=UTC), origin="WO-000008")
    item = DueItem.objects.get(valve=valve)
    html = client.get(f"/due/{item.pk}/").content.decode()
    # 22 June 2023 to 4 May 2026 is 1047 days, to 22 June 2025 it is 731; 1047 / 731 = 1.432
    elapsed = (date(2026, 5, 4) - date(2023, 6, 22)).days
    whole = (date(2025, 6, 22) - date(2023, 6, 22)).days
    assert (elapsed, whole) == (1047, 731)
    working = re.search(r'class="working">(.*?)</p>', html.replace("\u202f", ""), re.S)[1]
    words = " ".join(re.sub(r"<[^>]+>", " ", working).split())
    assert words == "1047 days ÷ 731 days = 1.43"
    assert "No meter: the pump has no such counter." in html
    assert "WO-000008" in html
    assert "invented policy" in html
    assert "Not limited by starts" in html


def test_why_without_a_record_says_what_would_make_it_known(client, site):
    from tests.factories.due import policy_for
    from valvecare.models import DueItem

    valve = valve_at(site, tag="AF-CR-2V")
    policy_for(valve=valve, months=48, run_hours=None, starts=None)
    item = DueItem.objects.get(valve=valve)
    html = client.get(f"/due/{item.pk}/").content.decode()
    assert "tone-edge-unknown" in html
    assert "Record the last one with its date, or do it now." in html
    assert "tone-good" not in html
