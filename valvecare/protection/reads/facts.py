"""Gather in bulk what verdicts rest on. The number of queries does not depend on the fleet."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime

from valvecare.core.models import NOT_KNOWN
from valvecare.protection.models import VerdictPolicy
from valvecare.protection.reads.evidence import (
    doubts_of,
    due_of_valves,
    events_of,
    inspections_of,
    releases_of,
    sisters_of,
    tests_of,
)
from valvecare.protection.reads.fleet import Fleet, Row
from valvecare.protection.reads.pairs import pairs_of
from valvecare.protection.reads.passing import passing_of
from valvecare.protection.rules import Capacity, Facts, Policy, ProofResult, TestFact


def policy_on(day: date) -> Policy | None:
    """The verdict policy in force; None when none is set."""
    row = VerdictPolicy.objects.filter(valid_from__lte=day).order_by("-valid_from").first()
    if row is None:
        return None
    return Policy(
        margin_share=row.margin_share,
        source=row.source,
        owner=row.owner,
        line_sensor_k=row.line_sensor_k,
        time_constant_share=row.time_constant_share,
        power_share=row.power_share,
    )


def _day(at: datetime | None, fleet: Fleet, valve: int) -> date | None:
    return None if at is None else at.astimezone(fleet.zone(valve)).date()


def _missing(row: Row) -> tuple[str, ...]:
    missing = []
    if row["design_id"] is None:
        missing.append("design")
    elif row["design__revision"] == NOT_KNOWN:
        missing.append("revision")
    if row["serial"] == NOT_KNOWN:
        missing.append("serial number")
    return tuple(missing)


_NO_ANSWER = (ProofResult.UNDECIDED, ProofResult.NOT_ABLE)


def tests_here(tests: Sequence[TestFact], placed_at: datetime | None) -> list[TestFact]:
    """Tests since the valve stands at its pump; of those before, only a failure it brought along.

    A flow that was measured at another pump, or before years on a shelf, proves nothing here.
    """
    if placed_at is None:
        return list(tests)
    here = [test for test in tests if test.done_at >= placed_at]
    # one that could not decide takes a failure before it not back
    told = (test for test in tests[len(here) :] if test.result not in _NO_ANSWER)
    before = next(told, None)
    return here + ([before] if before and before.result == ProofResult.FAIL else [])


def gather(
    fleet: Fleet, capacities: Mapping[int, Capacity], policy: Policy | None, at: datetime
) -> dict[int, Facts]:
    """The facts of each wanted valve as of `at`, from about a dozen queries."""
    every_test, seen = tests_of(fleet), inspections_of(fleet)
    tests = {
        valve: tests_here(found, fleet.rows[valve]["placed_at"])
        for valve, found in every_test.items()
    }
    proven: dict[int, datetime | None] = {}
    for valve in fleet.wanted:
        times = [one.fact.done_at for one in seen.get(valve, ())]
        times += [test.done_at for test in tests.get(valve, ()) if test.result == ProofResult.PASS]
        proven[valve] = max(times, default=None)
    due, events, doubts = due_of_valves(fleet), events_of(fleet, proven), doubts_of(fleet)
    sisters, pairs = sisters_of(fleet, proven, seen), pairs_of(fleet)
    releases, passing = releases_of(fleet, tests), passing_of(fleet, policy, at)
    found: dict[int, Facts] = {}
    for valve in fleet.wanted:
        row, clocks = fleet.rows[valve], due.get(valve, [])
        found[valve] = Facts(
            valve=row["tag"],
            as_of=at.astimezone(UTC),
            as_of_on=at.astimezone(fleet.zone(valve)).date(),
            missing_identity=_missing(row),
            capacity=capacities[valve],
            tests=tests.get(valve, []),
            inspections=[one.fact for one in seen.get(valve, ())],
            has_record=bool(every_test.get(valve) or seen.get(valve))
            or any(item.share_used is not None for item in clocks),
            due=clocks,
            sisters=sisters.get(valve, []),
            events=events.get(valve, []),
            passing=passing.get(valve),
            pair=pairs.get(valve),
            hydraulics_changed_on=row["pump__hydraulics_changed_on"],
            hydraulics_change=row["pump__hydraulics_change"],
            rejected_readings=doubts.all.get(valve, []),
            standing_counters=doubts.standing.get(valve, []),
            release=releases.get(valve),
            placed_on=_day(row["placed_at"], fleet, valve),
            pump=row["pump__tag"],
        )
    return found
