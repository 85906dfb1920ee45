"""The register's part of the REST API."""

from valvecare.register.api import kinds, labels, people, sheets

urls = [*kinds.urls, *labels.urls, *people.urls, *sheets.urls]
