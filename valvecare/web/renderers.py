"""JSON out: compact, by the fast encoder, problems under their own content type."""

from typing import Any

import msgspec
from rest_framework.renderers import JSONRenderer


class FastJSONRenderer(JSONRenderer):
    """Renders what DRF hands over; falls back to DRF's encoder for its lazy types."""

    charset = None

    def render(
        self, data: Any, accepted_media_type: str | None = None, renderer_context: Any = None
    ) -> bytes:
        if data is None:
            return b""
        try:
            return msgspec.json.encode(data)
        except (TypeError, ValueError):
            rendered: bytes = super().render(data, accepted_media_type, renderer_context)
            return rendered
