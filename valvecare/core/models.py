"""Abstract bases, the event table (journal and outbox in one), leases and idempotency rows."""

from typing import Any, ClassVar, Self

from django.apps import apps
from django.conf import settings
from django.db import models

NOT_KNOWN = "not known"
"""The word for an identity fact nobody could read. Never an empty string."""


class SiteScopedQuerySet(models.QuerySet[Any]):
    """One tenancy filter for admin, API and pages. Default deny."""

    def for_user(self, user: Any) -> Self:
        """Rows of the sites this person is a member of; superusers see all, strangers nothing.

        A contractor sees what belongs to the orders given to them, and nothing else of the site.
        """
        if user is None or not getattr(user, "is_active", False):
            return self.none()
        if user.is_superuser:
            return self.all()
        held = apps.get_model("valvecare", "Membership").objects.filter(user=user)
        seen = models.Q(
            **{f"{self.model.site_path}__in": held.exclude(role=CONTRACTOR).values("site_id")}
        )
        job = self.model.from_job()
        if job is not None:
            seen |= models.Q(**{f"{job[0]}__in": jobs_of(user, held).values(job[1])})
        return self.filter(seen)


CONTRACTOR = "contractor"
"""The role that sees its own jobs only; the word of `core.permits.Role`, which imports nothing."""


def jobs_of(user: Any, held: "models.QuerySet[Any]") -> "models.QuerySet[Any]":
    """The work orders given to this person at the sites where they are a contractor."""
    orders: models.QuerySet[Any] = apps.get_model("valvecare", "WorkOrder")._base_manager.all()
    return orders.filter(assigned_to=user, site__in=held.filter(role=CONTRACTOR).values("site_id"))


class SiteScoped(models.Model):
    """A row that belongs to a site by the lookup `site_path` (default: its own `site`)."""

    site_path: ClassVar[str] = "site"
    job_path: ClassVar[tuple[str, str] | None] = None
    """A lookup of this model and the column of a work order it must be among, for contractors.
    None: by `site_path` where it leads over the order or the valve, else nothing."""

    objects = SiteScopedQuerySet.as_manager()

    class Meta:
        abstract = True

    @classmethod
    def from_job(cls) -> tuple[str, str] | None:
        """How rows belong to a job: lookup of this model, column of the work order."""
        if cls.job_path is not None:
            return cls.job_path
        over, found, _ = cls.site_path.partition("order__site")
        if found:
            return f"{over}order", "pk"
        return ("valve", "valve") if cls.site_path.startswith("valve__") else None

    def site_of(self) -> Any:
        """The site record this row belongs to (walks `site_path`)."""
        found: Any = self
        for step in self.site_path.split("__"):
            if step in ("id", "pk"):
                break
            found = getattr(found, step)
        return found


class Versioned(models.Model):
    """A row with an integer version; `core.take.take` raises it under a conditional update."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True

    @property
    def etag(self) -> str:
        return f'"{self.version}"'


class Event(models.Model):
    """One thing that happened, in the same transaction as the thing. Append-only.

    Journal for people and auditors, outbox for plant systems: both read these rows.
    """

    id = models.BigAutoField(primary_key=True)
    at = models.DateTimeField(help_text="When it happened (UTC).")
    recorded_at = models.DateTimeField(auto_now_add=True)
    type = models.CharField(max_length=60, help_text="noun.past, for example work_order.closed")
    site = models.ForeignKey(
        "valvecare.Site", null=True, on_delete=models.PROTECT, related_name="events"
    )
    valve = models.ForeignKey(
        "valvecare.ProtectionValve", null=True, on_delete=models.PROTECT, related_name="events"
    )
    object_type = models.CharField(max_length=60)
    object_id = models.CharField(max_length=64)
    object_name = models.CharField(max_length=200)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    actor_name = models.CharField(max_length=150, help_text="As it was at the time.")
    words = models.CharField(max_length=500, blank=True, help_text="One plain sentence.")
    data = models.JSONField(default=dict)

    objects = SiteScopedQuerySet.as_manager()
    site_path: ClassVar[str] = "site"

    @classmethod
    def from_job(cls) -> tuple[str, str] | None:
        """A contractor reads no journal."""
        return None

    class Meta:
        db_table = "valvecare_event"
        ordering = ("-id",)
        indexes = [
            models.Index(fields=["object_type", "object_id", "id"], name="event_of_object"),
            models.Index(fields=["valve", "id"], name="event_of_valve"),
            models.Index(fields=["site", "id"], name="event_of_site"),
        ]

    def __str__(self) -> str:
        return f"{self.type} {self.object_name}"


class JobRun(models.Model):
    """One run of a background job in one time slot. The row is the truth, messages only wake.

    The unique pair (name, slot) makes two schedulers harmless; the lease lets another process
    take over after a kill.
    """

    name = models.CharField(max_length=60)
    slot = models.CharField(max_length=40, help_text="Start of the time slot, or a wake-up id.")
    attempts = models.PositiveIntegerField(default=0)
    owner = models.CharField(max_length=80, blank=True)
    lease_until = models.DateTimeField(null=True)
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    counts = models.JSONField(default=dict)
    error = models.TextField(blank=True)

    class Meta:
        db_table = "valvecare_job_run"
        ordering = ("-id",)
        constraints = [
            models.UniqueConstraint(fields=["name", "slot"], name="one_run_per_job_and_slot"),
        ]
        indexes = [models.Index(fields=["name", "-id"], name="job_run_latest")]

    def __str__(self) -> str:
        return f"{self.name} {self.slot}"


class IdempotentAnswer(models.Model):
    """The stored answer to an Idempotency-Key, written in the transaction of its effect."""

    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=80)
    fingerprint = models.CharField(max_length=64, help_text="SHA-256 of method, path and body.")
    status = models.PositiveSmallIntegerField(default=0)
    body = models.TextField(blank=True)
    headers = models.JSONField(default=dict)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        db_table = "valvecare_idempotent_answer"
        constraints = [
            models.UniqueConstraint(fields=["actor", "key"], name="one_answer_per_actor_and_key"),
        ]

    def __str__(self) -> str:
        return self.key


class PlantCredential(models.Model):
    """What we remember of a machine token: scopes, sites by its service user, issue and end.

    The token itself is hashed in the token library's own table; the two meet by digest, so that
    no host setting is needed and our record survives the deletion of an expired token.
    """

    name = models.CharField(max_length=100)
    service_user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="plant_credentials"
    )
    digest = models.CharField(max_length=128, unique=True)
    scopes = models.JSONField(default=list)
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_plant_credential"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name
