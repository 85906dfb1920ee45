"""Run one case table: ``python -m tests.checks FILE.csv [--adapters MODULE]``."""

import argparse
import sys
from collections import Counter
from pathlib import Path

from tests.checks.cases import judge, read_cases
from tests.checks.registry import load


def main(arguments: list[str]) -> int:
    """Print a line per row and the count; return 1 if a row failed, else 0."""
    parser = argparse.ArgumentParser(prog="python -m tests.checks", description=__doc__)
    parser.add_argument("table", type=Path, help="case table (CSV)")
    parser.add_argument("--adapters", help="module of adapters instead of tests.checks.adapters_*")
    options = parser.parse_args(arguments)
    load(options.adapters)
    counts: Counter[str] = Counter()
    for case in read_cases(options.table):
        outcome = judge(case)
        counts[outcome.status] += 1
        print(outcome.line)
    print(f"{counts['passed']} passed, {counts['failed']} failed, {counts['unmapped']} unmapped")
    return 1 if counts["failed"] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
