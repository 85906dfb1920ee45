"""Calculations for people and machines.

Purpose: every computation of the engineering library, one by one, without any register data: a
form page for people, an endpoint for plant systems, and the command `calculate`.

Words: a *computation* is an entry of `valvecare.engineering.catalogue`; a *calculation* is one run
of it, with its whole working: inputs with units, formula, steps, result, uncertainty, source,
assumptions and cautions.

Invariants: page, endpoint and command call the same `calculate` and give the same answer; every
input is stated by the caller, and a missing or insane one is refused by the name it has there;
nothing is read from and nothing is written to the database.

Neighbours: only `engineering` (the catalogue), `web` and `core`. Nothing else imports this folder.
"""
