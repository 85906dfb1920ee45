"""Pages of the register: overview and search, labels, scanning."""

from valvecare.register.pages import labels, scan, search

urls = [*search.urls, *labels.urls, *scan.urls]
