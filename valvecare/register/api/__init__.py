"""The register's part of the REST API."""

from valvecare.register.api import kinds, people

urls = [*kinds.urls, *people.urls]
