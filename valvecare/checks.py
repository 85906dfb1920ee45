"""System checks: a wrong option is an error at start, not a surprise at night."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, register

from valvecare.core.conf import problems


@register()
def options_are_known(app_configs: Any, **_: Any) -> list[CheckMessage]:
    """`valvecare.E001`: unknown keys or wrong types in the VALVECARE dictionary."""
    return [
        Error(words, id="valvecare.E001") for words in problems(getattr(settings, "VALVECARE", {}))
    ]
