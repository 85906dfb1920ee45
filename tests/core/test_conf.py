import pytest
from django.core.checks import run_checks

from valvecare.core.conf import options, problems


def test_defaults_hold_and_an_override_takes_effect(settings):
    settings.VALVECARE = {"CLOCK_SKEW_S": 60}
    assert options().CLOCK_SKEW_S == 60
    settings.VALVECARE = {}
    assert options().CLOCK_SKEW_S == 300


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"CLOCK_SCEW_S": 60}, "Unknown option VALVECARE['CLOCK_SCEW_S']"),
        ({"CLOCK_SKEW_S": "60"}, "VALVECARE['CLOCK_SKEW_S'] must be int, not '60'."),
        ({"CLOCK_SKEW_S": True}, "VALVECARE['CLOCK_SKEW_S'] must be int, not True."),
        ({"DEMO": "yes"}, "VALVECARE['DEMO'] must be bool, not 'yes'."),
    ],
)
def test_a_wrong_option_is_named(given, words):
    assert len(problems(given)) == 1
    assert problems(given)[0].startswith(words)


def test_a_wrong_option_is_an_error_at_start(settings):
    settings.VALVECARE = {"NONSENSE": 1}
    found = [message for message in run_checks() if message.id == "valvecare.E001"]
    assert len(found) == 1


def test_whole_numbers_serve_where_a_share_is_asked():
    assert problems({"LOW_MARGIN_SHARE": 1}) == []
