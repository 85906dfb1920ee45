import pytest
from django.contrib.auth import get_user_model

from valvecare.project.demo.login import DEMO_PASSWORD, DemoLogin

pytestmark = pytest.mark.django_db


@pytest.fixture
def person():
    return get_user_model().objects.create_user("nh-planner", password=None)


def test_a_demo_login_works_in_demo_mode_only(person, settings):
    settings.VALVECARE = {"DEMO": True}
    assert DemoLogin().authenticate(None, "nh-planner", DEMO_PASSWORD) == person
    settings.VALVECARE = {"DEMO": False}
    assert DemoLogin().authenticate(None, "nh-planner", DEMO_PASSWORD) is None


def test_nobody_else_gets_in_by_the_demo_password(person, settings):
    settings.VALVECARE = {"DEMO": True}
    users = get_user_model().objects
    users.create_user("stranger", password=None)
    users.create_user("sm-planner", password="a real password")
    assert DemoLogin().authenticate(None, "stranger", DEMO_PASSWORD) is None
    assert DemoLogin().authenticate(None, "sm-planner", DEMO_PASSWORD) is None
    assert DemoLogin().authenticate(None, "nh-planner", "other") is None
    person.is_active = False
    person.save()
    assert DemoLogin().authenticate(None, "nh-planner", DEMO_PASSWORD) is None
