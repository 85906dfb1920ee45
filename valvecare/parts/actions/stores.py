"""Stores and bins of a site."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.errors import NotFound, Reason, Refused
from valvecare.core.records import change, create, retire
from valvecare.parts.models import Bin, Store
from valvecare.register.models import Site
from valvecare.register.rules import why_not_change, why_not_retire

PERMIT = "change_parts"


def _refuse(reason: Reason | None) -> None:
    if reason is not None:
        raise Refused(reason)


def _in_service(row: Any) -> None:
    _refuse(why_not_change(str(row), is_retired=row.is_retired))


@transaction.atomic
def add_store(
    site_id: int, name: str, bins: Iterable[str] = (), *, actor: Any, at: datetime
) -> Store:
    """A store with its bins."""
    site = Site.objects.for_user(actor).filter(pk=site_id).first()
    if site is None:
        raise NotFound("There is no such site for you.")
    store = create(Store(site=site, name=name), actor=actor, at=at, permit=PERMIT)
    for code in bins:
        create(Bin(store=store, code=code), actor=actor, at=at, permit=PERMIT)
    return store


@transaction.atomic
def add_bin(store_id: int, code: str, *, actor: Any, at: datetime) -> Bin:
    """One more place in a store."""
    store = Store.objects.for_user(actor).filter(pk=store_id).first()
    if store is None:
        raise NotFound("There is no such store for you.")
    _in_service(store)
    return create(Bin(store=store, code=code.strip()), actor=actor, at=at, permit=PERMIT)


def rename_store(store_id: int, name: str, *, version: int, actor: Any, at: datetime) -> Store:
    """Another name for a store; lots and bins stay."""
    found: Store = change(
        Store.objects.for_user(actor),
        store_id,
        {"name": name},
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        check=_in_service,
    )
    return found


def rename_bin(bin_id: int, code: str, *, version: int, actor: Any, at: datetime) -> Bin:
    """Another code for a bin; what lies in it stays."""
    found: Bin = change(
        Bin.objects.for_user(actor),
        bin_id,
        {"code": code.strip()},
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        check=_in_service,
    )
    return found


def retire_bin(bin_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> Bin:
    """A bin that is used no more. Refused while something lies in it."""

    def check(row: Bin) -> None:
        lots = [str(lot) for lot in row.lots.filter(on_hand__gt=0).select_related("kit", "part")]
        _refuse(
            why_not_retire(
                str(row), is_retired=row.is_retired, holds=lots, what="lots on hand", reason=reason
            )
        )

    found: Bin = retire(
        Bin.objects.for_user(actor).select_related("store"),
        bin_id,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=check,
    )
    return found


def retire_store(store_id: int, *, version: int, actor: Any, at: datetime, reason: str) -> Store:
    """A store that is used no more. Refused while it has bins in use."""

    def check(row: Store) -> None:
        bins = [bin_.code for bin_ in row.bins.filter(retired_at=None)]
        _refuse(
            why_not_retire(
                str(row), is_retired=row.is_retired, holds=bins, what="bins", reason=reason
            )
        )

    found: Store = retire(
        Store.objects.for_user(actor),
        store_id,
        version=version,
        actor=actor,
        at=at,
        permit=PERMIT,
        reason=reason,
        check=check,
    )
    return found
