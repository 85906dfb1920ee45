"""Due: when must this valve be opened or tested, which limit says so, and why.

Words: *policy* (limits in months, run-hours and starts, for a valve, a group or a design),
*act* (done work that restarts clocks; append-only), *clock* (what has been used of one limit since
the act), *due item* (the decision for one valve and one kind of task).
Invariants: acts, readings and policies are the truth, clocks and due items are derived and can
always be recomputed. Reached is due. No record is shown first and never counts as fine. The
fleet and one valve go through the same kernel (`rules.decide`), whose arithmetic is
`valvecare.engineering`. One writer of due items: `actions.settle`.
Neighbours: reads `register` and `readings`; `work` calls `restart_clocks` when a job is closed
and raises orders from due items; nothing here knows `work`.
"""
