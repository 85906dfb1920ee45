"""Pages are compressed, and nothing else: the interface keeps its strong ETags."""

import gzip

import pytest
from django.urls import reverse

from tests.factories.register import SiteFactory
from tests.factories.work import Job
from tests.work.test_pages import signed_in

pytestmark = pytest.mark.django_db
GZIP = {"Accept-Encoding": "gzip"}


def test_a_page_is_small_and_the_interface_is_as_it_was():
    job = Job(SiteFactory()).to_readied()
    client = signed_in(job.technician)
    whole = reverse("valvecare:order-whole", args=[job.order.pk])
    page = client.get(whole, headers=GZIP)
    assert page["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in page["Vary"]
    assert len(page.content) * 5 < len(gzip.decompress(page.content))
    assert "Content-Encoding" not in client.get(whole)
    row = client.get(reverse("valvecare:api-work-order", args=[job.order.pk]), headers=GZIP)
    assert "Content-Encoding" not in row
    assert row["ETag"] == f'"{job.order.version}"'
