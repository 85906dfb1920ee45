"""Tables of published values and the runner that holds the library against them.

``python -m tests.checks tests/checks/tables/hydraulics/open_cases.csv`` prints one line per row.
A row names a computation; an adapter (see `registry`) maps it to a public function.
"""
