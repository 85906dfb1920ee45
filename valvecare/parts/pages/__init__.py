"""Pages of parts. They work without JavaScript and on a phone."""

from django.urls import path

from valvecare.parts.pages import imports, lists, lots, places

urls = [
    path("parts/", lists.stock, name="parts"),
    path("parts/find/", lists.find, name="parts-find"),
    path("parts/asked/", lists.asked, name="parts-asked"),
    path("parts/reserve/", lists.reserve, name="parts-reserve"),
    path("parts/order/", lists.order, name="parts-order"),
    path("parts/keep/", lists.keep, name="parts-keep"),
    path("parts/kits/", lists.kits, name="kits"),
    path("parts/kits/<int:pk>/", lists.kit, name="kit"),
    path("parts/pick-list/<int:pk>/", lists.picking, name="pick-list"),
    path("parts/stores/", places.stores, name="stores"),
    path("parts/stores/add/", places.add_store, name="store-add"),
    path("parts/bins/add/", places.add_bin, name="bin-add"),
    path("parts/bins/<int:pk>/", places.bin_, name="bin"),
    path("parts/bins/<int:pk>/<slug:verb>/", places.bin_act, name="bin-act"),
    path("parts/import/", imports.import_, name="parts-import"),
    path("parts/receive/", lots.receive, name="parts-receive"),
    path("parts/lots/<int:pk>/", lots.lot, name="lot"),
    path("parts/lots/<int:pk>/<slug:verb>/", lots.do, name="lot-act"),
    path("parts/reservations/<int:pk>/release/", lots.release, name="reservation-release"),
    path("parts/counts/", lots.begin_count, name="parts-begin-count"),
    path("parts/counts/<int:pk>/", lots.count, name="parts-count"),
]
