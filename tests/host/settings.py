"""Settings of the host: only what docs/embedding.md asks for, no middleware of ours."""

import json
import os
from pathlib import Path

HERE = Path(__file__).resolve().parent
SECRET_KEY = "only-for-tests-of-embedding"
DEBUG = False
ALLOWED_HOSTS = ["*"]
USE_TZ = True
TIME_ZONE = "Europe/Oslo"
DEFAULT_AUTO_FIELD = "django.db.models.AutoField"
AUTH_USER_MODEL = "people.Person"
ROOT_URLCONF = "tests.host.urls"
LOGIN_URL = "/staff/login/"
STATIC_URL = "assets/"

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    # what docs/embedding.md lists
    "knox",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "simple_history",
    "valvecare",
    # the host's own, last: it mixes into our admin
    "tests.host.people",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
]
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [HERE / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ]
        },
    }
]
DATABASES = {
    "default": {"ENGINE": "django.db.backends.sqlite3", "NAME": os.environ["HOST_DATABASE"]}
}
REST_FRAMEWORK = {"DEFAULT_SCHEMA_CLASS": "valvecare.web.schema.Schema"}
REST_KNOX = {"TOKEN_PREFIX": "vc_", "AUTH_HEADER_PREFIX": "Bearer"}
VALVECARE = json.loads(os.environ.get("HOST_OPTIONS", "{}"))
