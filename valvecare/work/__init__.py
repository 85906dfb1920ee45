"""Do it: work orders from 'raised' to 'closed', with the gates at the valve.

Words: *work order, kind, state (raised, agreed, placed, readied, under way, proven, closed; on
hold, put off, dropped), gate, as-found grade, finding, decision on a part, provisional release,
deferral*.
Invariants: one open order per valve and kind; no cover released without isolated; no joint
closed with a part at 'cannot decide'; no 'closed' without 'proven' or a signed provisional
release with an end date and a second person; a failure has a mode and a cause; facts are added,
never edited; a reopened order keeps its closed revision readable.
Neighbours: due says what is due and restarts its clocks when an order is closed; protection
keeps the function tests; planning places orders in windows.
"""
