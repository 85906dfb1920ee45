"""All URLs of the app, under its own namespace. A host includes this at any prefix."""

from django.urls import path, re_path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerView

from valvecare.calculations import api as calculations_api
from valvecare.calculations import pages as calculations_pages
from valvecare.due import api as due_api
from valvecare.due import pages as due_pages
from valvecare.parts import api as parts_api
from valvecare.parts import pages as parts_pages
from valvecare.planning import api as planning_api
from valvecare.planning import pages as planning_pages
from valvecare.protection import api as protection_api
from valvecare.protection import pages as protection_pages
from valvecare.proving import api as proving_api
from valvecare.proving import pages as proving_pages
from valvecare.readings import api as readings_api
from valvecare.readings import pages as readings_pages
from valvecare.register import api as register_api
from valvecare.register import pages as register_pages
from valvecare.web import health
from valvecare.web.manifest import manifest
from valvecare.web.problems import api_not_found
from valvecare.web.worker import offline, service_worker
from valvecare.work import api as work_api
from valvecare.work import pages as work_pages

app_name = "valvecare"

api = [
    *readings_api.urls,  # first what machines ask most: every pattern before it costs each push
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path("api/docs/", SpectacularSwaggerView.as_view(url_name="valvecare:schema"), name="api-docs"),
    *register_api.urls,
    *calculations_api.urls,
    *due_api.urls,
    *protection_api.urls,
    *parts_api.urls,
    *work_api.urls,
    *proving_api.urls,
    *planning_api.urls,
]

pages: list = [
    path("manifest.webmanifest", manifest, name="manifest"),
    path("sw.js", service_worker, name="service-worker"),
    path("offline/", offline, name="offline"),
    *protection_pages.urls,
    *register_pages.urls,
    *due_pages.urls,
    *readings_pages.urls,
    *calculations_pages.urls,
    *parts_pages.urls,
    *proving_pages.urls,  # before the verbs of an order, which take any word
    *work_pages.urls,
    *planning_pages.urls,
]

urlpatterns = [
    path("livez", health.livez, name="livez"),
    path("readyz", health.readyz, name="readyz"),
    *api,
    re_path(r"^api/(?P<rest>.*)$", api_not_found),
    *pages,
]
