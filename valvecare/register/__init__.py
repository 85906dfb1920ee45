"""Know it: sites, pump groups, pumps, valve designs, protection valves, people.

Words: *site, pump group (installed / needed), pump, valve design (one row per design, variant,
size and revision, with its part data), protection valve, membership (person, site, role)*.
Invariants: a pump has at most one protection valve in service; identity facts are a value or
the words 'not known', never blank; nothing a job or event points to is deleted, it is retired;
every change has a history row, a person and a reason.
Neighbours: readings hang meters on pumps, due hangs rules on designs and valves.
"""
