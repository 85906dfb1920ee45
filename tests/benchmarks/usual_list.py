"""The list of due jobs as one writes it first, for comparison: joins, serializer, limit/offset."""

from typing import Any, ClassVar

from rest_framework import generics, pagination, serializers

from valvecare.models import WorkOrder
from valvecare.work.api.orders import DueJobs


class _Row(serializers.ModelSerializer):
    """The same fields by the framework's serializer."""

    number = serializers.CharField()
    site = serializers.CharField(source="site.code")
    group = serializers.CharField(source="valve.pump.group.code")
    pump = serializers.CharField(source="valve.pump.tag")
    valve = serializers.SerializerMethodField()
    window = serializers.SerializerMethodField()

    class Meta:
        model = WorkOrder
        fields = (
            "id",
            "number",
            "version",
            "site",
            "group",
            "pump",
            "valve",
            "kind",
            "state",
            "due_on",
            "share_used",
            "governed_by",
            "why",
            "window",
            "updated_at",
        )

    def get_valve(self, order: Any) -> dict[str, Any]:
        return {"id": order.valve_id, "tag": order.valve.tag}

    def get_window(self, order: Any) -> dict[str, Any] | None:
        slot = getattr(order, "slot", None)
        return {"name": slot.window.name, "starts_on": slot.starts_on} if slot else None


class _Pages(pagination.LimitOffsetPagination):
    default_limit = 100


class UsualList(generics.ListAPIView):
    """ModelSerializer with joins and limit/offset: what one writes first."""

    authentication_classes = DueJobs.authentication_classes
    permission_classes = DueJobs.permission_classes
    required_scopes: ClassVar = {"GET": ["work:read"]}
    serializer_class = _Row
    pagination_class = _Pages

    def get_queryset(self) -> Any:
        return (
            WorkOrder.objects.for_user(self.request.user)
            .open()
            .select_related("site", "valve__pump__group", "slot__window")
            .order_by("due_on", "id")
        )
