"""Protection: every number leads to a Due list of exactly that many rows; cost does not grow."""

import re
import sys

import pytest
from django.urls import reverse

from tests.factories.look import NOON, fleet, task, verdict
from tests.factories.register import SiteFactory, member, valve_at
from valvecare.protection.reads.overview import overview

pytestmark = pytest.mark.django_db

SHARES = [
    ("no record", None),
    ("overdue", 1.43),
    ("overdue", 1.03),
    ("coming up", 0.95),
    ("not yet", 0.40),
    ("not yet", 0.47),
    ("not yet", 0.87),
]


@pytest.fixture
def plant(client):
    site = SiteFactory(code="NH", name="Norrhollow District Heat", time_zone="Europe/Stockholm")
    fleet(site, SHARES)
    client.force_login(member(site))
    return site


def sums(html: str) -> dict[str, int]:
    found = re.findall(
        r'class="sum-number">(\d+)</span>.*?class="sum-word">.*?</svg> ([a-zA-Z ]+)</span>',
        html,
        re.S,
    )
    return {word: int(number) for number, word in found}


def rows(html: str) -> int:
    return html.count('<th scope="row">')


def test_the_four_sums_are_exact_and_no_record_comes_first(client, plant):
    html = client.get(reverse("valvecare:protection")).content.decode()
    assert sums(html) == {"no record": 1, "overdue": 2, "coming up": 1, "not yet": 3}
    assert list(sums(html)) == ["no record", "overdue", "coming up", "not yet"]


def test_every_number_links_to_a_list_of_exactly_that_many(client, plant):
    html = client.get(reverse("valvecare:protection")).content.decode()
    links = re.findall(
        r'href="(/due/\?[^"]+)">(?:<svg.*?</svg>|\s*<span class="sum-number">)(\d+)', html, re.S
    )
    assert len(links) == 4 + len(SHARES)
    for url, number in links:
        page = client.get(url.replace("&amp;", "&"))
        assert page.status_code == 200
        assert rows(page.content.decode()) == int(number), url


def test_a_valve_shows_its_worst_task_and_the_others_that_want_attention(client, plant):
    valve = valve_at(plant, tag="NH-FW-3V")
    task(valve, "overdue", 1.40)
    task(valve, "no record", kind="function test")
    quiet = valve_at(plant, tag="NH-FW-2V")
    task(quiet, "not yet", 0.45)
    task(quiet, "not yet", 0.10, kind="function test")
    found = {
        valve.tag: valve
        for group in overview(member(plant), NOON).sites[0].groups
        for valve in group.valves
    }
    assert found["NH-FW-3V"].worst.state == "no record"
    assert [(t.state, t.share_used) for t in found["NH-FW-3V"].others] == [("overdue", 1.40)]
    assert found["NH-FW-2V"].worst.share_used == 0.45
    assert found["NH-FW-2V"].others == ()


def test_a_valve_nobody_decided_about_is_not_passed_over(client, plant):
    valve_at(plant, tag="NH-ZZ-9V")
    html = client.get(reverse("valvecare:protection")).content.decode()
    assert "1 valve in service without any due task." in html
    assert "no due task" in html


def test_another_site_is_not_counted(client, plant):
    other = SiteFactory(code="AF", name="Ashfell Paper")
    fleet(other, [("overdue", 2.0)] * 3)
    html = client.get(reverse("valvecare:protection")).content.decode()
    assert sums(html)["overdue"] == 2
    assert "Ashfell" not in html
    assert "There is no such site for you." in client.get("/?site=AF").content.decode()


def test_one_site_only(client, plant):
    second = SiteFactory(code="SM", name="Saltmere Desalination", time_zone="Asia/Muscat")
    fleet(second, [("coming up", 0.92)])
    person = member(second)
    from tests.factories.register import MembershipFactory

    MembershipFactory(user=person, site=plant)
    client.force_login(person)
    assert sums(client.get("/").content.decode())["coming up"] == 2
    html = client.get("/?site=SM").content.decode()
    assert sums(html) == {"no record": 0, "overdue": 0, "coming up": 1, "not yet": 0}
    assert "UTC+04:00" in html
    assert "Norrhollow" not in html


def test_many_sites_are_folded_to_sums(client, plant, monkeypatch):
    monkeypatch.setattr(sys.modules[overview.__module__], "MOST_VALVES", 3)
    html = client.get("/").content.decode()
    assert 'class="stand ' not in html
    assert "2 overdue" in html
    one = client.get("/?site=NH").content.decode()
    assert 'class="stand ' not in one
    assert one.count(">Valves of ") == len(SHARES)


def test_the_cost_does_not_grow_with_the_fleet(client, plant, django_assert_num_queries):
    with django_assert_num_queries(11):
        client.get("/")
    fleet(plant, [("not yet", 0.3)] * 40)
    with django_assert_num_queries(11):
        client.get("/")


def test_a_person_without_a_site_is_told_what_to_do(client, plant):
    from tests.factories.register import UserFactory

    client.force_login(UserFactory())
    html = client.get("/").content.decode()
    assert "No site is open to you yet." in html


def test_nobody_signed_in_is_led_to_the_login(client, plant):
    client.logout()
    answer = client.get("/")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/login/")


@pytest.fixture
def judged(plant):
    words = ["Protects", "Protects", "Doubtful", "Does not protect"]
    valves = [valve_at(plant, tag=f"J-{n}") for n in range(len(words))]
    for valve, word in zip(valves, words, strict=True):
        task(valve, "not yet", 0.2)
        verdict(valve, word, restriction="Load within 60 s." if word.startswith("Does") else "")
    verdict(valves[0], "Doubtful", is_current=False)
    return plant


def test_verdicts_are_counted_worst_first_and_never_judged_is_not_known(client, judged):
    html = client.get("/").content.decode()
    assert list(sums(html).items()) == [
        ("Does not protect", 1),
        ("Not known", len(SHARES)),
        ("Doubtful", 1),
        ("Protects", 2),
    ]
    assert "Load within 60 s." in html


def test_every_verdict_number_links_to_a_list_of_exactly_that_many(client, judged):
    html = client.get("/").content.decode()
    links = re.findall(r'href="(/valves/\?[^"]+)">\s*<span class="sum-number">(\d+)', html)
    assert len(links) == 4
    for url, number in links:
        page = client.get(url.replace("&amp;", "&"))
        assert rows(page.content.decode()) == int(number), url


def test_the_list_of_valves_has_the_worst_first(client, judged):
    html = client.get("/valves/").content.decode()
    words = re.findall(r'class="badge tone-[a-z]+">.*?<span>([A-Z][a-z ]+)</span>', html)
    assert (
        words
        == ["Does not protect"] + ["Not known"] * len(SHARES) + ["Doubtful"] + ["Protects"] * 2
    )
    assert "Not judged yet: the valve is new to the sweep." in html


@pytest.mark.parametrize("query", ["wrod=Doubtful", "word=Fine", "site=ZZ"])
def test_the_list_of_valves_refuses_what_it_does_not_know(client, judged, query):
    answer = client.get(f"/valves/?{query}")
    assert answer.status_code == 400
    assert rows(answer.content.decode()) == 0


def test_the_list_of_valves_costs_the_same_for_many(client, judged, django_assert_num_queries):
    with django_assert_num_queries(8):
        client.get("/valves/?site=NH")
    for number in range(30):
        verdict(valve_at(judged, tag=f"K-{number}"), "Protects")
    with django_assert_num_queries(8):
        client.get("/valves/?site=NH")


def test_valves_of_another_site_are_not_listed(client, judged):
    verdict(valve_at(SiteFactory(code="AF"), tag="AF-FW-1V"), "Doubtful")
    assert "AF-FW-1V" not in client.get("/valves/").content.decode()
