"""Photographs over the interface: multipart, decoded and written anew like those of the page."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.errors import NotFound
from valvecare.core.pictures import MAX_BYTES, clean_picture
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.idempotency import idempotent
from valvecare.web.views import Endpoint
from valvecare.work.actions.photograph import photograph
from valvecare.work.api.orders import IDEMPOTENCY_KEY, IF_MATCH
from valvecare.work.api.shapes import Word
from valvecare.work.models import Photo, WorkOrder
from valvecare.work.rules import PartName
from valvecare.work.rules.photos import PHOTOS_PER_STEP


class PhotosIn(serializers.Serializer):
    """A form of files. JPEG, PNG or WebP, found by decoding; stored as JPEG without metadata."""

    photos = serializers.ListField(
        child=serializers.FileField(), max_length=PHOTOS_PER_STEP, help_text="12 MB each."
    )
    part = Word(PartName, required=False, help_text="Of its latest finding; empty: as found.")
    words = serializers.CharField(required=False, default="", max_length=300, allow_blank=True)
    done_at = serializers.DateTimeField(required=False, help_text="When taken; empty: now.")


class PhotoOut(serializers.Serializer):
    id = serializers.IntegerField()
    part = serializers.CharField(help_text="Empty: the valve as found.")
    words = serializers.CharField()
    width = serializers.IntegerField()
    height = serializers.IntegerField()
    size = serializers.IntegerField(help_text="Bytes, as stored.")
    sha256 = serializers.CharField()


class PhotosOut(serializers.Serializer):
    results = PhotoOut(many=True)


def _out(row: Photo) -> dict[str, Any]:
    return {
        "id": row.pk,
        "part": row.finding.part if row.finding else "",
        "words": row.words,
        "width": row.width,
        "height": row.height,
        "size": row.size,
        "sha256": row.sha256,
    }


class Photos(Endpoint):
    parser_classes = (MultiPartParser,)

    @extend_schema(
        operation_id="work_orders_photos",
        summary="Send photographs of a finding, or of the valve as found",
        parameters=[IF_MATCH, IDEMPOTENCY_KEY],
        request={"multipart/form-data": PhotosIn},
        responses={201: PhotosOut},
    )
    def post(self, request: Request, order_id: int) -> Response:
        if not WorkOrder.objects.for_user(request.user).filter(pk=order_id).exists():
            raise NotFound(f"There is no work order {order_id}.")

        def effect() -> Response:
            shape = PhotosIn(data=request.data)
            shape.is_valid(raise_exception=True)
            given = dict(shape.validated_data)
            pictures = [clean_picture(file.read(MAX_BYTES + 1)) for file in given.pop("photos")]
            rows = photograph(
                order_id,
                pictures,
                version=version_from(request),
                actor=request.user,
                at=self.now,
                **given,
            )
            body = {"results": [_out(row) for row in rows]}
            return Response(body, status=201, headers=etag_headers(rows[0].order))

        return idempotent(request, effect)
