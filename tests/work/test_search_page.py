"""The search box over all capabilities: an exact hit opens its page, other sites stay hidden."""

import pytest
from django.urls import reverse

from tests.factories.register import MembershipFactory, SiteFactory, member, valve_at
from tests.factories.work import WorkOrderFactory

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


def search(client, text):
    return client.get(reverse("valvecare:search"), {"q": text})


@pytest.mark.parametrize("text", ["NH-FW-3V", "nh-fw-3v", " CED100-69814 ", "nh-fw-3p"])
def test_an_exact_hit_opens_the_valve(client, valve, text):
    answer = search(client, text)
    assert answer.status_code == 302
    assert answer["Location"] == reverse("valvecare:valve", args=[valve.pk])


@pytest.mark.parametrize("form", ["WO-{:06d}", "wo-{}", "WO{}", " wo-{:06d} "])
def test_an_order_number_opens_the_order(client, valve, form):
    order = WorkOrderFactory(valve=valve)
    answer = search(client, form.format(order.pk))
    assert answer.status_code == 302
    assert answer["Location"] == reverse("valvecare:work-order", args=[order.pk])


def test_the_order_of_another_site_is_not_found(client, valve):
    order = WorkOrderFactory(valve=valve_at(SiteFactory(code="AF")))
    answer = search(client, order.number)
    assert answer.status_code == 200
    assert "<table" not in answer.content.decode()


def test_a_part_lists_all_that_hold_it(client, valve):
    html = search(client, "fw-").content.decode()
    assert "NH-FW-2V" in html
    assert "NH-FW-3V" in html


def test_a_tag_that_two_sites_use_is_a_list(client, site, valve):
    other = SiteFactory(code="AF")
    person = member(site)
    MembershipFactory(user=person, site=other)
    valve_at(other, tag="NH-FW-3V")
    client.force_login(person)
    html = search(client, "NH-FW-3V").content.decode()
    assert html.count(">NH-FW-3V</a>") == 2


@pytest.mark.parametrize("text", ["", "ZZ-nothing", "WO-000000", "WO-999999999999999999999", "%%"])
def test_nothing_found_is_a_page_without_hits(client, valve, text):
    answer = search(client, text)
    assert answer.status_code == 200
    assert "<table" not in answer.content.decode()


def test_another_site_stays_hidden(client, valve):
    valve_at(SiteFactory(code="AF"), tag="AF-FW-1V")
    for text in ("AF-FW-1V", "AF-FW"):
        assert "<table" not in search(client, text).content.decode()


def test_the_cost_is_bounded(client, valve, django_assert_max_num_queries):
    with django_assert_max_num_queries(8):
        search(client, "fw-")
