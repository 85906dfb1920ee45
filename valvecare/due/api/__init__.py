"""The REST API of due dates: due items, policies, condition rules and their findings."""

from valvecare.due.api import conditions, due

urls = [*due.urls, *conditions.urls]
