"""What a guided test says of its steps, told to the procedure of its order."""

from collections.abc import Sequence

from django.db import transaction

from valvecare.work.models import TestedStep, WorkOrder

_TOLD = ("outcome", "because", "is_settled", "people", "recorded_at")


@transaction.atomic
def tell_test_steps(order: WorkOrder, steps: Sequence[TestedStep]) -> None:
    """Keep how each step of the order's guided test stands, instead of what was told before."""
    for step in steps:
        step.order, step.revision = order, order.revision
        step.clean_fields(exclude=["order"])
    TestedStep.objects.bulk_create(
        steps,
        update_conflicts=True,
        unique_fields=("order", "revision", "step"),
        update_fields=_TOLD,
    )


def forget_test_steps(order: WorkOrder) -> None:
    """A result without steps was recorded: it settles the steps of the procedure together."""
    TestedStep.objects.filter(order=order, revision=order.revision).delete()
