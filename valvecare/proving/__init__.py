"""Prove it: the guided function test with the pump, T0 to T7, step by step at the valve.

Words: *test run (one guided test of one order), reading (one raw value with its gauge), stop (one
main flow of T2 or T4), watched quantity (has an abort limit), answer of a step ('not done,
because …'), test policy (the owner's limits)*.
Invariants: readings and answers are append-only, a correction is a new reading instead of an old
one; a reading names a gauge that is fit for it; nothing starts without abort limits, line-up and an
able method; one rule judges the steps, live and at the end; a run that crossed an abort limit
proves nothing; the result goes the way of every function test, through `work.record_test`.
Neighbours: work owns the order, its gauges and the record of the test; protection keeps the
evidence and judges the valve; engineering holds the criteria.
"""
