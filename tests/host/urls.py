"""The host's addresses: the app under another prefix and another namespace."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("staff/", admin.site.urls),
    path("plant/valves/", include("valvecare.urls", namespace="pump-guard")),
]
