"""Place it: windows, crews and slots; what fits, what collides, and why.

Words: *window (a time in which work may be done), crew, slot (one order in a window with a crew
and its days)*.
Invariants: a crew is never booked above its hours of a day; a group never has more valves out
than it can spare, unless the window is a total stop; nothing is opened in a closed season; a
soft conflict needs a reason that is kept. Window, crew and group rows are locked while a slot
is placed, so that the rules hold for two planners at once.
Neighbours: work owns the order and its state, the register the groups and seasons.
"""
