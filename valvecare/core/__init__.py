"""What two or more capabilities need and what has no maintenance meaning of its own.

Words: *reason* (why something was refused), *permit* (what a role may do at a site), *take*
(sight, staleness and lock in one step), *event* (the append-only story of every record and
the outbox in one), *job* (background work that runs once per time slot).
Invariants: no HTTP, no Celery, no clock; time is an argument.
"""
