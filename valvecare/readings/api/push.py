"""POST /readings/bulk: the whole of a plant's readings goes through here."""

import time
from typing import Any

import structlog
from django.core.cache import cache
from django.urls import path
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiTypes, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import BaseThrottle

from valvecare.core.conf import options
from valvecare.core.models import PlantCredential
from valvecare.readings import reads
from valvecare.readings.actions import push_readings
from valvecare.readings.api.bodies import Body, CSVRows, JSONRows, NDJSONRows, PushedBody, parsed
from valvecare.readings.api.shapes import PushIn, PushLogOut, PushOut, page_of
from valvecare.register.rules import Scope
from valvecare.web.filters import refuse_unknown
from valvecare.web.pagination import keyset_page
from valvecare.web.views import Endpoint

log = structlog.get_logger("valvecare.readings")

WINDOW_S = 60

EXAMPLE_IN = {
    "source": "invented historian",
    "rows": [
        {"series": "SM-HP-3P.HOURS", "at": "2026-05-04T06:00:00Z", "value": 2412.5, "unit": "h"},
        {
            "series": "SM-HP-3P.BYPASS_T",
            "site": "SM",
            "at": "2026-05-04T08:00:00+02:00",
            "value": 24.1,
            "unit": "degC",
            "quality": "uncertain",
            "source_key": "h-4711",
        },
    ],
}
EXAMPLE_OUT = {
    "push": 815,
    "counts": {"created": 1, "duplicate": 0, "conflict": 0, "rejected": 1, "set_aside": 0},
    "results": [
        {"index": 0, "status": "created"},
        {
            "index": 1,
            "status": "rejected",
            "code": "unknown_series",
            "detail": "No series 'SM-HP-3P.BYPASS_T' is known at your sites. Add the series first; "
            "nothing is created by a push.",
        },
    ],
}
EXAMPLE_CSV = (
    "series,at,value,unit\nSM-HP-3P.HOURS,2026-05-04T06:00:00Z,2412.5,h\n"
    "SM-HP-3P.HOURS,2026-05-04T07:00:00Z,2413.5,h\n"
)
EXAMPLE_NDJSON = (
    '{"series":"SM-HP-3P.HOURS","at":"2026-05-04T06:00:00Z","value":2412.5,"unit":"h"}\n'
    '{"series":"SM-HP-3P.HOURS","at":"2026-05-04T07:00:00Z","value":2413.5,"unit":"h"}\n'
)


class PushRate(BaseThrottle):
    """So many pushes a minute for each token (or login), counted in the shared cache."""

    left_s = 0.0

    def allow_request(self, request: Any, view: Any) -> bool:
        now = time.time()
        self.left_s = WINDOW_S - now % WINDOW_S
        auth = request.auth
        who = f"t{auth.pk}" if isinstance(auth, PlantCredential) else f"u{request.user.pk}"
        key = f"valvecare-pushes-{who}-{int(now // WINDOW_S)}"
        try:
            cache.add(key, 0, timeout=2 * WINDOW_S)
            count = cache.incr(key)
        except ValueError:  # the cache dropped the key between the two calls
            return True
        except Exception as error:  # noqa: BLE001 a cache that is away must not stop readings
            log.warning("push_rate_not_counted", error=repr(error))
            return True
        return bool(count <= options().READINGS_PUSHES_PER_MINUTE)

    def wait(self) -> float:
        return self.left_s


class BulkPush(PushedBody):
    required_scopes = {"POST": [Scope.READINGS_WRITE.value]}
    parser_classes = (JSONRows, NDJSONRows, CSVRows)
    throttle_classes = (PushRate,)

    @extend_schema(
        operation_id="readings_push",
        summary="Push readings; every row gets its own verdict",
        description="Send the same rows again as often as you like: a stored row is answered "
        "'duplicate'. Another value for a stored key is a 'conflict', the first stays. Late and "
        "unordered rows are welcome. A jump no meter can make is 'set aside' for a person. "
        "At most 10,000 rows and 8 MB (unpacked) in one request; gzip is accepted. Rows are "
        "stored together or, on an error, not at all: then send the same request again.",
        tags=["readings"],
        parameters=[
            OpenApiParameter("source", str, description="For NDJSON and CSV: who sends."),
            OpenApiParameter("site", str, description="For NDJSON and CSV: default site."),
        ],
        request={
            "application/json": PushIn,
            "application/x-ndjson": OpenApiTypes.STR,
            "text/csv": OpenApiTypes.STR,
        },
        responses=PushOut,
        examples=[
            OpenApiExample(
                "two rows (invented)",
                EXAMPLE_IN,
                request_only=True,
                media_type="application/json",
            ),
            OpenApiExample(
                "lines (invented)",
                EXAMPLE_NDJSON,
                request_only=True,
                media_type="application/x-ndjson",
            ),
            OpenApiExample(
                "table (invented)", EXAMPLE_CSV, request_only=True, media_type="text/csv"
            ),
            OpenApiExample("mixed verdicts (invented)", EXAMPLE_OUT, response_only=True),
        ],
    )
    def post(self, request: Request) -> Response:
        refuse_unknown(request, ("source", "site"))
        body = parsed(request, Body)
        source = sender_name(request, body.source)
        result = push_readings(
            body.rows, actor=request.user, at=self.now, source=source, site=body.site
        )
        counts = {word.replace(" ", "_"): count for word, count in result.counts.items()}
        answer = {"push": result.push_id, "counts": counts, "results": result.verdicts()}
        return Response(answer)


def sender_name(request: Request, given: str | None) -> str:
    """Who sends: the given name, else the token's or login's."""
    auth = request.auth
    own = auth.name if isinstance(auth, PlantCredential) else request.user.get_username()
    name = str(given if given is not None else own).strip()
    if not 0 < len(name) <= 80 or "\0" in name:
        raise ValidationError({"source": "Name the source in 1 to 80 characters."})
    return name


class PushList(Endpoint):
    required_scopes = {"GET": [Scope.READINGS_READ.value]}

    @extend_schema(
        operation_id="pushes_list",
        summary="The log of pushes, newest first",
        tags=["readings"],
        parameters=[
            OpenApiParameter("cursor", str, description="From the `next` link; opaque."),
            OpenApiParameter("page_size", int, description="1 to 200, else 100."),
        ],
        responses=page_of(PushLogOut),
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, ())
        page = keyset_page(reads.pushes_for(request.user), request, order=("-id",))
        results = PushLogOut(page.rows, many=True).data
        return Response({"results": results, "next": page.next_url}, headers=page.headers)


urls = [
    path("api/v1/readings/bulk", BulkPush.as_view(), name="api-readings-bulk"),
    path("api/v1/pushes", PushList.as_view(), name="api-pushes"),
]
