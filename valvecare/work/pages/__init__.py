"""Pages of work, one module each: the valve, the order, the work at the valve, the phone."""

from valvecare.work.pages import identity, mine, order, pack, phone, procedure, reviews, valve

urls = [
    *valve.urls,
    *mine.urls,
    *reviews.urls,
    *phone.urls,
    *pack.urls,
    *identity.urls,
    *procedure.urls,
    *order.urls,
]
