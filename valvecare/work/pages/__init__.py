"""Pages of work, one module each: the page of one valve, the search box."""

from valvecare.work.pages import search, valve

urls = [*valve.urls, *search.urls]
