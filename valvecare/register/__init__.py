"""Know it: sites, pump groups, pumps, valve designs, protection valves, people, tokens.

Words: *site, pump group (installed / needed), pump, valve design (one row per design, variant,
size and revision, with its part data), protection valve, membership (person, site, role), plant
credential (a machine's token: scopes, sites, end)*.
Invariants: a pump has at most one protection valve in service; a tag names one thing at a site;
identity facts are a value or the words 'not known', never blank; nothing is deleted, it is
retired; every change has a version, a history row, a person and a reason; a change of a pump's
hydraulics moves the day from which computed evidence counts.
Map: `rules` words, limits and refusals; `reads` identity, overview, search; `actions` records,
pumps, people, credentials, import and export; `api`, `admin`, `pages` the edges.
Neighbours: readings hang meters on pumps, due hangs rules on designs and valves. Later
capabilities object to a retirement (`actions.refuse_retirement_when`) and are found by the
search box (`reads.register_finder`); the register knows none of them.
"""
