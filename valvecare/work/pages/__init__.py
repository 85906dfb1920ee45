"""Pages of work, one module each: the valve, the order, the work at the valve, the search box."""

from valvecare.work.pages import mine, order, search, valve

urls = [*valve.urls, *search.urls, *mine.urls, *order.urls]
