"""The register's part of the REST API."""

from valvecare.register.api import kinds, people, sheets

urls = [*kinds.urls, *people.urls, *sheets.urls]
