"""Pages of work, one module each: the valve, the order, the work at the valve."""

from valvecare.work.pages import mine, order, valve

urls = [*valve.urls, *mine.urls, *order.urls]
