"""The search box: an exact hit opens its page, small letters do, other sites stay hidden."""

import pytest

from tests.factories.register import SiteFactory, member, valve_at

pytestmark = pytest.mark.django_db


@pytest.fixture
def site(client):
    site = SiteFactory(code="NH")
    client.force_login(member(site))
    return site


@pytest.fixture
def valve(site):
    valve_at(site, tag="NH-FW-2V", serial="CED100-50009", pump__tag="NH-FW-2P")
    return valve_at(site, tag="NH-FW-3V", serial="CED100-69814", pump__tag="NH-FW-3P")


@pytest.mark.parametrize("text", ["NH-FW-3V", "nh-fw-3v", " CED100-69814 ", "nh-fw-3p"])
def test_an_exact_hit_opens_the_valve(client, valve, text):
    answer = client.get("/search/", {"q": text})
    assert answer.status_code == 302
    assert answer["Location"] == f"/valves/{valve.pk}/"


def test_a_part_lists_all_that_hold_it(client, valve):
    html = client.get("/search/", {"q": "fw-"}).content.decode()
    assert "NH-FW-2V" in html
    assert "NH-FW-3V" in html


def test_a_tag_that_two_sites_use_is_a_list(client, site, valve):
    from tests.factories.register import MembershipFactory

    other = SiteFactory(code="AF")
    person = member(site)
    MembershipFactory(user=person, site=other)
    valve_at(other, tag="NH-FW-3V")
    client.force_login(person)
    html = client.get("/search/", {"q": "NH-FW-3V"}).content.decode()
    assert html.count(">NH-FW-3V</a>") == 2


@pytest.mark.parametrize("text", ["", "x", "ZZ-nothing", "WO-000000", "WO-999999999999999999999"])
def test_nothing_found_is_said(client, valve, text):
    answer = client.get("/search/", {"q": text})
    assert answer.status_code == 200
    assert "/valves/" not in answer.content.decode()


def test_wildcards_are_letters(client, valve):
    assert "Nothing found" in client.get("/search/", {"q": "%%"}).content.decode()


def test_another_site_stays_hidden(client, valve):
    valve_at(SiteFactory(code="AF"), tag="AF-FW-1V")
    assert "Nothing found" in client.get("/search/", {"q": "AF-FW-1V"}).content.decode()
    assert "Nothing found" in client.get("/search/", {"q": "AF-FW"}).content.decode()


def test_the_cost_is_bounded(client, valve, django_assert_max_num_queries):
    with django_assert_max_num_queries(5):
        client.get("/search/", {"q": "fw-"})
