"""Valid kits, stores and stock. Stock comes through `receive`, as in life. Names are invented."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import factory
from factory.django import DjangoModelFactory

from tests.factories.register import SiteFactory, UserFactory, ValveDesignFactory, member, valve_at
from tests.factories.work import WorkOrderFactory
from valvecare.core.permits import Role
from valvecare.models import Bin, Kit, KitLine, Lot, PartNumber, PartsPolicy, Store
from valvecare.parts.actions import receive

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)


class PartNumberFactory(DjangoModelFactory):
    class Meta:
        model = PartNumber

    code = factory.Sequence(lambda n: f"PN-{n:04d}")
    name = "part"


class KitFactory(DjangoModelFactory):
    class Meta:
        model = Kit

    name = factory.Sequence(lambda n: f"KIT-{n}-soft")
    design = factory.SubFactory(ValveDesignFactory)
    media = factory.LazyFunction(lambda: ["water"])
    seal_material = "EPDM"
    lead_weeks = 9


class StoreFactory(DjangoModelFactory):
    class Meta:
        model = Store

    site = factory.SubFactory(SiteFactory)
    name = "main store"


class BinFactory(DjangoModelFactory):
    class Meta:
        model = Bin

    store = factory.SubFactory(StoreFactory)
    code = factory.Sequence(lambda n: f"B{n}")


def parts_policy(**given: Any) -> PartsPolicy:
    """The owner's figures: 14 days of margin, 95 % of cover, eight weeks ahead."""
    facts = {
        "margin_days": 14,
        "stock_target": 0.95,
        "horizon_weeks": 8,
        "source": "invented policy",
        "owner": "reliability engineer",
    }
    row, _ = PartsPolicy.objects.get_or_create(
        valid_from=date(2000, 1, 1), defaults={**facts, **given}
    )
    return row


@dataclass
class Shelf:
    """A site with a valve, an order for it, a kit of its design, a store and its people."""

    site: Any = field(default_factory=SiteFactory)
    design_facts: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        parts_policy()
        self.design = ValveDesignFactory(**{"revision": "B", **self.design_facts})
        self.valve = valve_at(self.site, design=self.design)
        self.order = WorkOrderFactory(valve=self.valve, due_on=date(2026, 6, 8))
        self.bin = BinFactory(store__site=self.site)
        self.keeper = member(self.site, Role.STOREKEEPER)
        self.second = member(self.site, Role.STOREKEEPER)
        self.planner = member(self.site, Role.PLANNER)
        self.technician = member(self.site, Role.TECHNICIAN)
        self.gasket = PartNumberFactory(
            name="cover gasket", place="cover gasket", shelf_life_months=60
        )
        self.spring = PartNumberFactory(name="closing spring", place="closing spring")
        self.kit = KitFactory(design=self.design)
        for part in (self.gasket, self.spring):
            KitLine.objects.create(kit=self.kit, part=part)
        self.stranger = UserFactory()

    def order_for(self, **valve: Any) -> Any:
        """Another order, for another valve of the same design at this site."""
        other = valve_at(self.site, **{"design": self.design, **valve})
        return WorkOrderFactory(valve=other, due_on=date(2026, 6, 8))

    def stock(self, quantity: int = 1, code: str = "L1", **given: Any) -> Lot:
        """Receive some of the kit, or of what `kit_id` or `part_id` names."""
        facts: dict[str, Any] = {"shelf_until": date(2028, 3, 31), **given}
        if "kit_id" not in facts and "part_id" not in facts:
            facts["kit_id"] = self.kit.pk
        return receive(
            self.bin.pk,
            code,
            quantity,
            actor=self.keeper,
            at=facts.pop("at", NOW),
            checks={"marking": "as ordered"},
            **facts,
        )
