"""Pure calculation library: numbers in, frozen results or a refusal out.

No Django, no files, no clock. SI inside, the unit in every name. See docs/methods/.
"""
