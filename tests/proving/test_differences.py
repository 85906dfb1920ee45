"""What is one reading of a gauge less another: its uncertainty, and the range it may have."""

import pytest

from tests.factories.proving import Guided, one
from valvecare.models import Gauge, TestReading
from valvecare.proving.reads import run_card
from valvecare.proving.rules import Vessel

pytestmark = pytest.mark.django_db


@pytest.fixture
def job():
    return Guided.new()


def test_a_difference_of_two_readings_has_the_uncertainty_of_both(job):
    """By hand: PG-02 states 0.2 bar (k = 2), step 0.05 bar: root of 2 (0.1² + 0.05²/12)."""
    job.begin().read([one("T5", "fall of the header pressure", 0.3, "PG-02", key="a")])
    assert TestReading.objects.get(key="a").spread == pytest.approx(0.142887, abs=1e-6)
    Gauge.objects.filter(code="PG-02").update(uncertainty_share=0.01)
    job.read([one("T5", "fall of the header pressure", 0.3, "PG-02", key="b")])
    assert TestReading.objects.get(key="b").spread is None
    words = "a certificate of PG-02 in bar: a share of the reading says nothing of a difference"
    card = run_card(job.run.pk, job.technician)
    assert words in card.judgement.step("T5").lacking


def test_a_difference_is_held_against_the_span_of_its_gauge(job):
    """A level that falls by 5 cm is read from a gauge of 0.5 to 4 m; a header falls by 0.3 bar."""
    Gauge.objects.filter(code="LG-01").update(range_low=0.5, range_high=4.0)
    Gauge.objects.filter(code="PG-02").update(range_low=10.0, range_high=160.0)
    vessel = Vessel(12.0, 0.1, 30.0, 0.2)
    job.begin(method="vessel level", method_words="The meters are away.", vessel=vessel)
    rise = "rise of the vessel's level"
    rows = [
        one("T1", rise, -0.05, "LG-01"),
        one("T5", "fall of the header pressure", 0.3, "PG-02"),
        one("T1", "pressure pulsation", 0.4, "PG-02"),
    ]
    assert [result.status for result in job.read(rows)] == ["created"] * 3
    [wide] = job.read([one("T1", rise, 3.6, "LG-01")])
    assert wide.reasons[0].code == "out_of_gauge_range"
    assert "3.6 m is more than the span of LG-01 (3.5 m)" in wide.reasons[0].words
    [other] = job.read([one("T1", rise, 0.4, "PG-02")])
    assert other.reasons[0].code == "gauge_of_other_unit"
