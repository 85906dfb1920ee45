"""The product's settings, with the list written the usual way beside our own addresses."""

from valvecare.project.settings import *  # noqa: F403

ROOT_URLCONF = "tests.benchmarks.http_urls"
