"""The host mixes its own behaviour into an admin class of ours."""

from django.contrib import admin

from valvecare.admin import SeriesAdmin
from valvecare.models import Series


class HostLook:
    """What this host adds to every list."""

    list_per_page = 7


admin.site.unregister(Series)


@admin.register(Series)
class HostSeriesAdmin(HostLook, SeriesAdmin):
    pass
