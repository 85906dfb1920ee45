"""Figures of the fault tests are printed, and kept in the test report."""

import sys

import pytest


@pytest.fixture
def figure(record_property):
    """`figure("S-15", "lost", 0, 1_000)`: promise, what is counted, how many, of how many."""

    def tell(promise: str, words: str, count: object, of: object) -> None:
        record_property(promise, f"{words}: {count} of {of}")
        sys.stdout.write(f"{promise} {words}: {count} of {of}\n")

    return tell
