"""Pages of work, one module each: `valve.py` the page of one valve."""

from valvecare.work.pages import valve

urls = [*valve.urls]
