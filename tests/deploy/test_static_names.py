"""Every page and the phone's worker as production serves them: static files by hashed names.

There a name that was not collected is no broken picture but an error of the whole page.
"""

import json
from pathlib import Path

import pytest
from django.conf import settings as project
from django.core.management import call_command
from django.urls import reverse

from tests.browser.scene import addresses, build
from tests.work.test_pages import signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def collected(settings, tmp_path: Path) -> Path:
    """The folder of collected files, as in production."""
    settings.STATIC_ROOT = tmp_path
    settings.STORAGES = {
        **project.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.ManifestStaticFilesStorage"},
    }
    others = ["admin/*", "drf_spectacular_sidecar/*", "rest_framework/*", "simple_history/*"]
    call_command("collectstatic", interactive=False, verbosity=0, ignore_patterns=others)
    return tmp_path


def test_the_worker_of_the_phone_names_files_that_are_there(client, collected) -> None:
    answer = client.get(reverse("valvecare:service-worker"))
    assert answer.status_code == 200
    first = answer.content.decode().split("\n", 1)[0]
    told = json.loads(first.removeprefix("const SETTINGS = ").removesuffix(";"))
    assert told["static"] == "/static/"
    assert len(told["files"]) > 4
    for name in told["files"]:
        assert name.startswith(told["static"])
        assert (collected / name.removeprefix(told["static"])).is_file()


def test_every_page_finds_its_files(client, collected) -> None:
    scene = build()
    client = signed_in(scene.person)
    names = [*addresses(scene), *((name, reverse(f"valvecare:{name}")) for name in ("manifest",))]
    wrong = [
        (name, answer.status_code)
        for name, path in names
        for answer in (client.get(path),)
        if answer.status_code >= 500
    ]
    assert wrong == []
    assert len(names) > 30
