"""REST of parts: catalogue, stock, ledger, what fits, what is kept, what will be asked."""

from django.urls import path

from valvecare.parts.api import imports, lists, verbs
from valvecare.parts.api.verbs import doing, posting

_V1 = "api/v1"

urls = [
    *imports.urls,
    path(f"{_V1}/part-numbers", verbs.PartsEndpoint.as_view(), name="api-part-numbers"),
    path(f"{_V1}/kits", verbs.KitsEndpoint.as_view(), name="api-kits"),
    path(
        f"{_V1}/part-numbers/<int:part_id>",
        doing(verbs.CHANGE_PART, method="patch").as_view(),
        name="api-part-number",
    ),
    path(f"{_V1}/kits/<int:kit_id>", verbs.KitEndpoint.as_view(), name="api-kit"),
    *(
        path(f"{_V1}/{at}", endpoint.as_view(), name=f"api-{name}")
        for at, name, endpoint in (
            ("stores", "stores", verbs.StoresEndpoint),
            ("bins", "bins", verbs.BinsEndpoint),
            ("supersessions", "supersessions", verbs.SupersessionsEndpoint),
            ("parts-policies", "parts-policies", verbs.PoliciesEndpoint),
            ("stores/<int:store_id>", "store", doing(verbs.RENAME_STORE, method="patch")),
            ("bins/<int:bin_id>", "bin", doing(verbs.RENAME_BIN, method="patch")),
            ("part-numbers/<int:part_id>/retire", "part-number-retire", posting(verbs.RETIRE_PART)),
            ("kits/<int:kit_id>/retire", "kit-retire", posting(verbs.RETIRE_KIT)),
            ("stores/<int:store_id>/retire", "store-retire", posting(verbs.RETIRE_STORE)),
            ("bins/<int:bin_id>/retire", "bin-retire", posting(verbs.RETIRE_BIN)),
            (
                "supersessions/<int:supersession_id>/withdraw",
                "supersession-withdraw",
                posting(verbs.WITHDRAW),
            ),
        )
    ),
    path(f"{_V1}/stock", lists.Stock.as_view(), name="api-stock"),
    path(f"{_V1}/receipts", verbs.ReceiptsEndpoint.as_view(), name="api-receipts"),
    path(f"{_V1}/movements", lists.Ledger.as_view(), name="api-movements"),
    path(f"{_V1}/reservations", verbs.ReservationsEndpoint.as_view(), name="api-reservations"),
    path(
        f"{_V1}/reservations/<int:reservation_id>/release",
        posting(verbs.RELEASE).as_view(),
        name="api-reservation-release",
    ),
    *(
        path(
            f"{_V1}/lots/<int:lot_id>/{name}",
            posting(act).as_view(),
            name=f"api-lot-{name}",
        )
        for name, act in verbs.OF_LOT.items()
    ),
    path(f"{_V1}/purchases", verbs.PurchasesEndpoint.as_view(), name="api-purchases"),
    path(
        f"{_V1}/purchases/<int:purchase_id>/drop",
        posting(verbs.DROP_PURCHASE).as_view(),
        name="api-purchase-drop",
    ),
    path(f"{_V1}/stock-counts", verbs.CountsEndpoint.as_view(), name="api-stock-counts"),
    path(
        f"{_V1}/stock-counts/<int:count_id>", verbs.CountEndpoint.as_view(), name="api-stock-count"
    ),
    *(
        path(
            f"{_V1}/stock-counts/<int:count_id>/{name}",
            posting(act).as_view(),
            name=f"api-stock-count-{name}",
        )
        for name, act in verbs.OF_COUNT.items()
    ),
    path(f"{_V1}/parts/demand", lists.Demand.as_view(), name="api-parts-demand"),
    path(
        f"{_V1}/parts/stock-proposals",
        lists.StockProposals.as_view(),
        name="api-parts-stock-proposals",
    ),
    path(
        f"{_V1}/valves/<int:pk>/kit-check",
        lists.KitCheckOfValve.as_view(),
        name="api-valve-kit-check",
    ),
    path(
        f"{_V1}/valves/<int:pk>/fitted-parts",
        verbs.FittedPartsEndpoint.as_view(),
        name="api-valve-fitted-parts",
    ),
    path(
        f"{_V1}/fitted-parts/<int:fitted_id>/remove",
        posting(verbs.REMOVE).as_view(),
        name="api-fitted-part-remove",
    ),
]
