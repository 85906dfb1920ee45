from django.apps import AppConfig


class PeopleConfig(AppConfig):
    name = "tests.host.people"
    label = "people"
