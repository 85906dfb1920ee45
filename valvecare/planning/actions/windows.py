"""Add windows and crews."""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound
from valvecare.core.records import create
from valvecare.planning.models import Crew, Window
from valvecare.register.models import PumpGroup, Site


def _site(actor: Any, site_code: str) -> Site:
    site: Site | None = Site.objects.for_user(actor).filter(code=site_code).first()
    if site is None:
        raise NotFound("There is no such site for you.")
    return site


@transaction.atomic
def add_window(
    site_code: str,
    name: str,
    *,
    starts_at: datetime,
    ends_at: datetime,
    actor: Any,
    at: datetime,
    words: str = "",
    is_total_stop: bool = False,
    still_needed: Collection[str] = (),
    works_weekends: bool = False,
) -> Window:
    """Add a window; `still_needed` are codes of groups that carry even in a total stop."""
    site = _site(actor, site_code)
    window = Window(
        site=site,
        name=name,
        starts_at=starts_at,
        ends_at=ends_at,
        words=words,
        is_total_stop=is_total_stop,
        works_weekends=works_weekends,
    )
    create(window, actor=actor, at=at, permit="change_plan")
    groups = list(PumpGroup.objects.filter(site=site, code__in=still_needed))
    if len(groups) != len(set(still_needed)):
        raise NotFound("One of the groups still needed is not a group of this site.")
    window.still_needed.set(groups)
    return window


def add_crew(
    site_code: str, name: str, *, people: int, hours_per_day: float, actor: Any, at: datetime
) -> Crew:
    """Add a crew with its elapsed hours a day."""
    crew = Crew(site=_site(actor, site_code), name=name, people=people, hours_per_day=hours_per_day)
    return create(crew, actor=actor, at=at, permit="change_plan")
