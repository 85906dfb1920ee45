"""Judge it: does the valve protect its pump, until when, and on what evidence.

Words: *function test (a measured or bench proof of the protective function)*.
Invariants: evidence is append-only; a result with numbers is judged from the numbers.
Neighbours: work records tests here; due and the register stand below.
"""
