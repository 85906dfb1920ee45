"""The part of the REST API that plant systems push to."""

from valvecare.readings.api import push, series, set_aside

urls = [*push.urls, *series.urls, *set_aside.urls]
