"""Judge it: does the valve protect its pump, until when, and on what evidence.

Words: *verdict (one of four words with since, until, reason, restriction, next action)*, *ground
(what one rule says)*, *function test (a measured or bench proof of the protective function)*,
*inspection (the valve was opened and seen inside)*, *operating release (runs unproven, signed)*,
*capacity (what pump and bypass can do by the register's numbers)*, *standing (what may be shown of
a verdict now)*.
Invariants: evidence is append-only; a result with numbers is judged from the numbers; the judge is
a pure function of facts and policy; one current verdict per valve; a verdict overtaken by an event
is stale at once and a stale 'Protects' is never shown as one; restrictions of all grounds hold.
Neighbours: work records tests, openings and releases here and asks to judge; due ages the
evidence; readings bring events, doubts and line temperatures; the register stands below. Events
of the core are the queue of what must be judged again.
"""
