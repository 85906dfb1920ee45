"""Pages of work, one module each: the valve, the order, the work at the valve."""

from valvecare.work.pages import mine, order, pack, valve

urls = [*valve.urls, *mine.urls, *pack.urls, *order.urls]
