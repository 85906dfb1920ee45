"""The one settings dictionary of the app: `VALVECARE = {...}` in the host's settings."""

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.core.signals import setting_changed


@dataclass(frozen=True)
class Options:
    """All options with their defaults. Unknown keys are reported by check `valvecare.E001`."""

    WAKER: str = ""
    """Dotted path of a callable `waker(job_name)` that starts a background job soon.
    Empty: nothing is woken, the periodic sweep finds the work."""

    DEMO: bool = False
    """Demo mode: printed demo logins work and a banner says the data is invented."""

    TODAY: str = ""
    """Demo mode only: the fixed demo day (ISO date). Empty: the real clock."""

    READINGS_MAX_ROWS: int = 10_000
    """Rows accepted in one push of readings; more is answered 413."""

    READINGS_MAX_BYTES: int = 8_000_000
    """Bytes accepted in one push of readings after decompression; more is answered 413."""

    READINGS_PUSHES_PER_MINUTE: int = 60
    """Pushes accepted from one token in a minute; more is answered 429."""

    CLOCK_SKEW_S: int = 300
    """How far in the future a reading's time may lie, in seconds."""

    JOB_LEASE_S: int = 300
    """How long a background job may be silent before another process may take it over."""

    IDEMPOTENCY_DAYS: int = 30
    """How long the answer to an Idempotency-Key is kept."""

    LOW_MARGIN_SHARE: float = 0.9
    """Share of an interval from which a task is shown as coming up."""

    RELEASE_MARGIN_MM: float = 10.0
    """Thread that must be left beyond the free travel of the spring before a cover is let go on
    its own studs. The owner's policy."""

    RELEASE_HAND_FORCE_N: float = 0.0
    """Force of the spring that may be let go by hand at the end of the studs, at most 500."""

    LIFTING_GEAR_FROM_KG: float = 25.0
    """Mass from which lifting gear is always used (ISO 11228-1 reference mass, from memory)."""

    LIFTING_TEAM: int = 2
    """The largest team that lifts by hand, 1 to 3."""

    HOT_FROM_DEGC: float = 60.0
    """Temperature of the liquid from which steps for hot valves apply. The owner's policy; about
    60 degC burns bare skin at a short touch of metal (ISO 13732-1, from memory)."""

    TORQUE_SCATTER_LUBRICATED: float = 0.25
    """Scatter of the preload with a torque wrench on lubricated threads, a share
    (NASA-STD-5020B table 3, seen as quoted). The owner's policy."""

    TORQUE_SCATTER_DRY: float = 0.35
    """The same on dry threads."""

    TORQUE_RELAXATION: float = 0.10
    """Share of the preload that is lost by relaxation. The owner's policy."""

    TORQUE_BOLT_LIMIT_SHARE: float = 0.9
    """Most of the yield a bolt may be used to at the largest preload. The owner's policy."""

    TORQUE_HYDRAULIC_FROM_NM: float = 678.0
    """Torque above which a hydraulic tool is advised (500 ft lbf, a public stud chart, seen)."""

    MEDIA_ROOT: str = ""
    """Folder for photographs and certificates, outside the web root. Empty: Django's MEDIA_ROOT."""


def problems(given: dict[str, Any]) -> list[str]:
    """Sentences about unknown keys and wrong types in the host's `VALVECARE` dictionary."""
    known = {field.name: field.type for field in fields(Options)}
    found = [
        f"Unknown option VALVECARE[{key!r}]; known are {', '.join(sorted(known))}."
        for key in given
        if key not in known
    ]
    defaults = Options()
    for key, value in given.items():
        if key in known:
            want = type(getattr(defaults, key))
            right = isinstance(value, want) and (want is bool or not isinstance(value, bool))
            if not right and not (want is float and isinstance(value, int)):
                found.append(f"VALVECARE[{key!r}] must be {want.__name__}, not {value!r}.")
    return found


@lru_cache(maxsize=1)
def options() -> Options:
    """The options in force. Read late, so that a host's test overrides take effect."""
    given = getattr(settings, "VALVECARE", {})
    known = {field.name for field in fields(Options)}
    return Options(**{key: value for key, value in given.items() if key in known})


def _reload(*, setting: str, **_: Any) -> None:
    if setting == "VALVECARE":
        options.cache_clear()


setting_changed.connect(_reload, dispatch_uid="valvecare.options")
