"""Who am I, who is here, and what happened."""

from typing import Any

from django.db.models import Q, QuerySet
from django.urls import path
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.models import Event, PlantCredential
from valvecare.core.permits import Role, may_anywhere, sites_where
from valvecare.register import reads
from valvecare.register.api import shapes
from valvecare.register.api.records import listed
from valvecare.register.models import Membership
from valvecare.register.rules import Scope, choices
from valvecare.web.filters import IdFilter, parameters_of, refuse_unknown
from valvecare.web.views import Endpoint


class MemberFilters(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    role = filters.ChoiceFilter(choices=choices(Role), help_text="Role at the site.")


class EventFilters(filters.FilterSet):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    valve = filters.CharFilter("valve__tag", help_text="Tag of the protection valve.")
    type = filters.CharFilter(help_text="Exact type, for example pump.changed.")
    since = IdFilter(
        method="after", help_text="Only events with a greater id: keep the last id you have seen."
    )

    def after(self, rows: "QuerySet[Any]", name: str, value: int) -> "QuerySet[Any]":
        return rows.filter(id__gt=value)


class MemberList(Endpoint):
    """Closed to machine tokens: names of people are not for plant systems."""

    @extend_schema(
        operation_id="members_list",
        summary="List who has which role at your sites",
        tags=["people"],
        parameters=parameters_of(MemberFilters),
        responses=shapes.page_of(shapes.MemberOut, "Member"),
    )
    def get(self, request: Request) -> Response:
        rows = Membership.objects.for_user(request.user).select_related("site", "user")
        return listed(request, rows, MemberFilters, shapes.MemberOut, ("id",))


class Me(Endpoint):
    required_scopes: Any = {"GET": []}  # any valid token

    @extend_schema(
        operation_id="me",
        summary="Who you are here, at which sites, with which roles and permits",
        tags=["people"],
        responses=shapes.MeOut,
        examples=[
            OpenApiExample(
                "a planner (invented)",
                {
                    "login": "nh-planner",
                    "is_administrator": False,
                    "sites": [
                        {
                            "site": {"id": 1, "name": "NH", "url": "/api/v1/sites/1"},
                            "roles": ["planner"],
                            "permits": ["view_register"],
                        }
                    ],
                    "token": None,
                },
                response_only=True,
            )
        ],
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, ())
        sites = [
            {
                "site": shapes.related(request, "api-site", held.site),
                "roles": held.roles,
                "permits": held.permits,
            }
            for held in reads.roles_of(request.user)
        ]
        user: Any = request.user
        body = {
            "login": user.get_username(),
            "is_administrator": user.is_superuser,
            "sites": sites,
            "token": request.auth if isinstance(request.auth, PlantCredential) else None,
        }
        return Response(shapes.MeOut(body).data)


class EventList(Endpoint):
    required_scopes = {"GET": [Scope.REGISTER_READ.value]}

    @extend_schema(
        operation_id="events_list",
        summary="What happened, oldest first; ask again with `since`",
        description="People need a role that may see the story of a site; machine tokens need the "
        "scope `register:read`.",
        tags=["events"],
        parameters=parameters_of(EventFilters),
        responses=shapes.page_of(shapes.EventOut, "Event"),
    )
    def get(self, request: Request) -> Response:
        permit = "view_register" if isinstance(request.auth, PlantCredential) else "view_events"
        seen = Q(site_id__in=sites_where(request.user, permit))
        if may_anywhere(request.user, permit):
            seen |= Q(site__isnull=True)  # what all sites share: valve designs
        rows = Event.objects.filter(seen).select_related("site", "valve")
        return listed(request, rows, EventFilters, shapes.EventOut, ("id",))


urls = [
    path("api/v1/me", Me.as_view(), name="api-me"),
    path("api/v1/members", MemberList.as_view(), name="api-members"),
    path("api/v1/events", EventList.as_view(), name="api-events"),
]
