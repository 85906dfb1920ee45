"""One settings file, read from the environment. Nothing exists only in production.

Variables (all optional in development and demo; production needs the first three):
`SECRET_KEY` (or `SECRET_KEY_FILE`), `ALLOWED_HOSTS`, `DATABASE_URL`, `REDIS_URL`,
`BACKGROUND` (threads or celery), `DEBUG`, `DEMO`, `DEMO_DAY`, `DATA_DIR`, `TIME_ZONE`,
`SECURE` (behind TLS: secure cookies, HSTS), `TRUST_PROXY_HEADER`, `LOG_JSON`, `JOB_LEASE_S`
(how long a background job may be silent before another process takes it over).
"""

import os
import sys
from pathlib import Path

import environ
import structlog
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured
from whitenoise.compress import Compressor

from valvecare.core.permits import Role
from valvecare.due.rules.words import ConditionBasis, DueState, TaskKind, Trigger
from valvecare.parts.rules.words import (
    CountState,
    FitWord,
    KitUse,
    LotState,
    MovementKind,
    NeedState,
    OfferKind,
    PurchaseState,
    ReservationState,
)
from valvecare.protection.rules import ProofMethod, ProofResult, Word
from valvecare.readings.rules.words import MeterEventKind, PlantEventKind, Quantity
from valvecare.register.rules import (
    Attitude,
    LabelKind,
    PumpRole,
    ReturnsTo,
    Scope,
    SheetKind,
    ValveStatus,
)
from valvecare.work.rules.gauges import GaugeKind
from valvecare.work.rules.judgement import Measured
from valvecare.work.rules.words import (
    AsFound,
    FindingGrade,
    GateKind,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
    Rods,
)

BASE_DIR = Path(__file__).resolve().parent.parent.parent
env = environ.FileAwareEnv()

DEBUG = env.bool("DEBUG", default=False)
DEMO = env.bool("DEMO", default=False)
_TESTING = "pytest" in sys.modules
_LOCAL = DEBUG or DEMO or _TESTING
# commands that only look at code need no secret
_OFFLINE = len(sys.argv) > 1 and sys.argv[1] in {
    "makemigrations",
    "collectstatic",
    "spectacular",
    "demo",
    "calculate",
}

SECRET_KEY = env.str("SECRET_KEY", default="")
if not SECRET_KEY:
    if not (_LOCAL or _OFFLINE or "mypy" in sys.argv[0]):
        raise ImproperlyConfigured(
            "SECRET_KEY is not set. Set SECRET_KEY or SECRET_KEY_FILE to a long random text; "
            "it is only optional with DEBUG=1 or DEMO=1."
        )
    SECRET_KEY = "for-development-and-demo-only-" + "x" * 40  # noqa: S105

ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]", "testserver"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])
DATA_DIR = Path(env.str("DATA_DIR", default=str(BASE_DIR / "var")))
DATA_DIR.mkdir(parents=True, exist_ok=True)

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "csp",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "knox",
    "rest_framework",
    "simple_history",
    "valvecare",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "valvecare.web.middleware.SmallPagesMiddleware",
    "csp.middleware.CSPMiddleware",
    "valvecare.web.middleware.RequestIdMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "simple_history.middleware.HistoryRequestMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "valvecare.project.urls"
WSGI_APPLICATION = "valvecare.project.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        # the theme of the register pages belongs to this project, not to a host
        "DIRS": [Path(__file__).resolve().parent / "templates"],
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
    "default": env.db("DATABASE_URL", default=f"sqlite:///{DATA_DIR / 'valvecare.sqlite3'}")
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # a file, not memory: tests use threads and a second process
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / f"test-{os.getpid()}.sqlite3")}
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = 60
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
    DATABASES["default"]["OPTIONS"] = {
        # an index costs little where the tables lie in memory or on a solid disk: without the
        # last one a push of a hundred rows reads the states of all series
        "options": "-c statement_timeout=30000 -c lock_timeout=10000 "
        "-c idle_in_transaction_session_timeout=60000 -c random_page_cost=1.1",
    }

REDIS_URL = env.str("REDIS_URL", default="")
BACKGROUND = env.str("BACKGROUND", default="celery" if REDIS_URL else "threads")
if BACKGROUND not in ("celery", "threads"):
    raise ImproperlyConfigured("BACKGROUND must be 'celery' or 'threads'.")
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": env.str("CACHE_URL", default=REDIS_URL),
        # a cache that hangs may cost a request a moment, not its answer
        "OPTIONS": {"socket_connect_timeout": 0.5, "socket_timeout": 0.5},
    }
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
}

AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
if DEMO:
    AUTHENTICATION_BACKENDS.append("valvecare.project.demo.login.DemoLogin")
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_HANDLER = "axes.handlers.database.AxesDatabaseHandler"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
if _TESTING:
    PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    AXES_ENABLED = False
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 8},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "valvecare:protection"
LOGOUT_REDIRECT_URL = "login"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = env.str("TIME_ZONE", default="UTC")
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True)
MEDIA_ROOT = DATA_DIR / "media"
_STATIC = "django.contrib.staticfiles.storage.StaticFilesStorage"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": _STATIC if _TESTING or DEBUG else "valvecare.project.static_files.HashedFiles"
    },
}
WHITENOISE_USE_FINDERS = DEBUG or _TESTING
WHITENOISE_SKIP_COMPRESS_EXTENSIONS = (*Compressor.SKIP_COMPRESS_EXTENSIONS, "map")
DATA_UPLOAD_MAX_MEMORY_SIZE = 10_000_000
FILE_UPLOAD_PERMISSIONS = 0o640

# security: strict from the start; SECURE adds what needs TLS
SECURE = env.bool("SECURE", default=not _LOCAL)
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE
SECURE_SSL_REDIRECT = SECURE and env.bool("SSL_REDIRECT", default=True)
SECURE_HSTS_SECONDS = 31_536_000 if SECURE else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = SECURE
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
if env.bool("TRUST_PROXY_HEADER", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "object-src": [NONE],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
        "form-action": [SELF],
    }
}

REST_FRAMEWORK = {
    "DEFAULT_SCHEMA_CLASS": "valvecare.web.schema.Schema",
    "DEFAULT_AUTHENTICATION_CLASSES": ["valvecare.web.auth.SignedInSession"],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "EXCEPTION_HANDLER": "valvecare.web.problems.exception_handler",
}
REST_KNOX = {"TOKEN_PREFIX": "vc_", "AUTH_HEADER_PREFIX": "Bearer"}
SPECTACULAR_SETTINGS = {
    "TITLE": "valvecare",
    "DESCRIPTION": "Push run-hours, starts and readings; pull due jobs; ask what still protects. "
    "Units are in the field names or in the `unit` of a row; times are RFC 3339 with offset.",
    "VERSION": "1.0.0",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SERVE_AUTHENTICATION": [
        "valvecare.web.auth.PlantTokenAuthentication",
        "valvecare.web.auth.SignedInSession",
    ],
    "SCHEMA_PATH_PREFIX": r".*/api/v1",
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "valvecare.web.schema.share_problem_answers",
    ],
    # closed word lists get one name each in generated clients
    "ENUM_NAME_OVERRIDES": {
        words.__name__: [word.value for word in words]
        for words in (
            AsFound,
            Attitude,
            ConditionBasis,
            CountState,
            DueState,
            FindingGrade,
            FitWord,
            GateKind,
            GaugeKind,
            KitUse,
            LabelKind,
            Measured,
            LotState,
            MeterEventKind,
            MovementKind,
            NeedState,
            OfferKind,
            OrderKind,
            OrderState,
            PartDecision,
            PartName,
            PlantEventKind,
            ProofMethod,
            ProofResult,
            PumpRole,
            Quantity,
            PurchaseState,
            ReservationState,
            ReturnsTo,
            Rods,
            Role,
            Scope,
            SheetKind,
            TaskKind,
            Trigger,
            ValveStatus,
        )
    }
    | {"VerdictWord": [word.value for word in Word]},
}
SIMPLE_HISTORY_FILEFIELD_TO_CHARFIELD = True

VALVECARE = {
    "WAKER": "valvecare.project.celery.wake"
    if BACKGROUND == "celery"
    else "valvecare.project.background.wake",
    "DEMO": DEMO,
    "TODAY": env.str("DEMO_DAY", default="2026-05-04" if DEMO else ""),
    "MEDIA_ROOT": str(MEDIA_ROOT),
    "JOB_LEASE_S": env.int("JOB_LEASE_S", default=300),
}

# Celery: a message is only a wake-up; the rows are the truth
CELERY_BROKER_URL = REDIS_URL or None
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_TIME_LIMIT = 280
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 30
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_PUBLISH_RETRY = False
CELERY_TIMEZONE = "UTC"
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 600,
    "unacked_restore_interval": 10,
    "unacked_restore_throttle": 1,
    "socket_connect_timeout": 1,
    "socket_timeout": 20,
    "max_retries": 0,
}

LOG_JSON = env.bool("LOG_JSON", default=not _LOCAL)
_shared = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
]
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "plain": {
            "()": structlog.stdlib.ProcessorFormatter,
            "foreign_pre_chain": _shared,
            "processors": [
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info
                if LOG_JSON
                else structlog.processors.EventRenamer("event"),
                structlog.processors.JSONRenderer()
                if LOG_JSON
                # plain: a rich traceback prints local variables, secrets among them
                else structlog.dev.ConsoleRenderer(
                    colors=False, exception_formatter=structlog.dev.plain_traceback
                ),
            ],
        }
    },
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", default="WARNING")},
    "loggers": {
        "valvecare": {"level": env.str("LOG_LEVEL", default="INFO")},
        # it warns of every property that is meant for screens only
        "weasyprint": {"level": "ERROR"},
    },
}
