"""Pages of work, one module each: the valve, the order, the work at the valve."""

from valvecare.work.pages import identity, mine, order, pack, valve

urls = [*valve.urls, *mine.urls, *pack.urls, *identity.urls, *order.urls]
