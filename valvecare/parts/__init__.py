"""Parts: what is on the shelf, what fits which valve, who it is kept for, what will be asked.

Words: a *part number* is one kind of spare; a *kit* is a set of them for one design at one
revision; a *lot* is what came in together and lies in one *bin* of a *store*; a *movement* is one
line of the ledger; a *reservation* keeps pieces of a lot for one work order; a *piece* is a spare
with a serial number; a *fitted part* lives in a valve from one day to another; a *purchase* is on
its way; a *count* is blind and approved by a second person.

Invariants: what a lot has on hand is the sum of its movements, never below zero and never below
what is reserved (database checks; conditional updates, so that of many takers one wins). Movements
are only added. A kit is kept for an order only when serial, revision, medium and shelf life at the
day of the job say that it fits; 'unknown' blocks. A kit that came back without one of its parts is
never a kit again. A revision is a field of the register, never read from the year.

Neighbours: fits what `register` knows; a fitted part counts its own life with the counters of
`readings`. `work` asks here before an order is readied and when it is closed. Orders and windows
stand above: their rows are reached through the relations of the tables, their code never.
"""
