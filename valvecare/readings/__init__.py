"""Hear it: run-hours, starts and condition readings of every pump, pushed by plant systems.

Words: *series* (one counter or gauge of one pump, known by its tag), *reading* (series, instant,
value in the series' unit, quality), *verdict* (what became of one pushed row), *set aside* (kept
for a person, not counted), *meter event* (a declared replacement or roll-over), *state* and *day*
(what is kept per series and per series and UTC day), *doubtful* (the readings make no sense).
Invariants: readings are append-only, one per series and instant, the first stays; state and days
are a pure function of the readings and meter events, whatever the order of arrival; a falling
value never lowers a total; a lost segment makes the total a lower bound; units are converted by
the table or refused; nothing is created for an unknown tag.
Neighbours: register owns pumps and sites; due reads state and days and clears `touched_us`;
the rule that judges a segment lives in `engineering.counters`.
"""
