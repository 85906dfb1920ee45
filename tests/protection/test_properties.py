"""Properties no example may break (S-63, S-66), the same examples every run.

1,000 examples each in a usual run; PROPERTY_EXAMPLES=10000 for the figure of the promise.
"""

import os
from dataclasses import replace
from datetime import timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.factories.protection import (
    POLICY,
    TODAY,
    at,
    capacity,
    due_fact,
    facts,
    hydraulics,
    proof_fact,
    seen_fact,
)
from valvecare.protection.rules import (
    Capacity,
    EventFact,
    PairFact,
    ProofResult,
    SisterFact,
    Word,
    capacity_of,
    judge,
    judge_bypass_flow,
)
from valvecare.protection.rules.facts import SEVERITY

EXAMPLES = settings(
    max_examples=int(os.environ.get("PROPERTY_EXAMPLES", "1000")),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
flows = st.floats(1.0, 200.0)
shares = st.floats(0.0, 0.5)
required = st.floats(1.0, 150.0)


def severity(found):
    return SEVERITY[found.word]


def with_flow(flow, share, needed):
    result = judge_bypass_flow(flow, uncertainty_share=share, required_m3_per_h=needed)
    test = proof_fact(
        flow=flow, uncertainty_share=share, required_m3_per_h=needed, result=str(result)
    )
    return facts(tests=(test,), capacity=capacity(required_m3_per_h=needed))


@EXAMPLES
@given(flows, st.floats(0.0, 1.0), shares, required)
def test_less_bypass_is_never_safer(flow, part, share, needed):
    more, less = with_flow(flow, share, needed), with_flow(flow * part, share, needed)
    assert severity(judge(less, POLICY)) >= severity(judge(more, POLICY))


@EXAMPLES
@given(flows, shares, st.floats(0.0, 0.49), required)
def test_a_larger_uncertainty_never_turns_undecided_into_pass(flow, share, extra, needed):
    wider = min(0.99, share + extra)
    before = judge_bypass_flow(flow, uncertainty_share=share, required_m3_per_h=needed)
    after = judge_bypass_flow(flow, uncertainty_share=wider, required_m3_per_h=needed)
    if before is not ProofResult.PASS:
        assert after is not ProofResult.PASS
    if judge(with_flow(flow, share, needed), POLICY).word is not Word.PROTECTS:
        assert judge(with_flow(flow, wider, needed), POLICY).word is not Word.PROTECTS


@EXAMPLES
@given(st.integers(1, 2_000), st.integers(0, 2_000), st.integers(0, 400))
def test_more_run_hours_are_never_later(days_left, fewer, slack):
    """More hours used bring the due day nearer: `until` never moves away."""

    def until(days):
        likely = TODAY + timedelta(days=days)
        item = due_fact(
            due_on=likely,
            likely_on=likely,
            earliest_on=likely - timedelta(days=slack),
            latest_on=likely + timedelta(days=slack),
        )
        other = due_fact("function test", likely_on=TODAY + timedelta(days=500))
        found = judge(facts(due=(item, other)), POLICY)
        return found.until

    assert until(max(1, days_left - fewer)) <= until(days_left)


_hot: dict[float, Capacity] = {}


def _at_temperature(degc):
    """Capacities on a grid of a tenth of a kelvin, so that 10,000 pairs stay quick."""
    key = round(degc, 1)
    if key not in _hot:
        _hot[key] = capacity_of(
            hydraulics(suction_temperature_degc=key, stable_min_flow_m3_per_h=1.0)
        )
    return _hot[key]


@EXAMPLES
@given(st.floats(60.0, 141.0), st.floats(0.0, 60.0), flows, shares)
def test_hotter_is_never_safer(cold, extra, flow, share):
    """The heat limit rises with the suction temperature; a measured flow proves no more then."""
    hot = min(142.0, cold + extra)

    def verdict(degc):
        able = _at_temperature(degc)
        needed = able.required_m3_per_h
        result = (
            ProofResult.PASS
            if needed is None
            else judge_bypass_flow(flow, uncertainty_share=share, required_m3_per_h=needed)
        )
        test = proof_fact(
            flow=flow, uncertainty_share=share, required_m3_per_h=needed, result=str(result)
        )
        return judge(facts(tests=(test,), capacity=able), POLICY)

    cooler, hotter = verdict(cold), verdict(hot)
    if hotter.word is Word.PROTECTS:
        assert cooler.word is Word.PROTECTS


# S-66: an independent oracle

HAMMER = EventFact("water hammer", at("2026-04-01"), TODAY, "")
maybe_test = st.one_of(
    st.none(),
    st.tuples(
        st.integers(0, 2_000),
        st.one_of(st.none(), flows),
        shares,
        st.sampled_from(["pass", "fail", "undecided", "not able"]),
        st.sampled_from(["clamp-on meter", "on the bench", "with the pump, no flow measured"]),
    ),
)


@st.composite
def plants(draw):
    """A random plant state with everything that may speak against a valve."""
    made = draw(maybe_test)
    tests = ()
    if made is not None:
        age, flow, share, result, method = made
        if method != "clamp-on meter":
            flow = None
        day = (TODAY - timedelta(days=age)).isoformat()
        tests = (
            proof_fact(
                day,
                flow=flow,
                uncertainty_share=None if flow is None else share,
                result=result,
                method=method,
            ),
        )
    opened = draw(st.one_of(st.none(), st.integers(0, 2_000)))
    inspections = ()
    if opened is not None:
        day = (TODAY - timedelta(days=opened)).isoformat()
        inspections = (seen_fact(day, draw(st.sampled_from(["as expected", "failed"]))),)
    needed = draw(st.one_of(st.none(), required))
    passed = draw(st.one_of(st.none(), flows))
    able = capacity(
        required_m3_per_h=needed,
        computed_m3_per_h=passed,
        margin_share=passed / needed - 1 if passed is not None and needed is not None else None,
        stable_known=draw(st.booleans()),
    )
    due = tuple(
        due_fact(kind, state=state)
        for kind, state in draw(
            st.lists(
                st.tuples(
                    st.sampled_from(["strip-down", "function test"]),
                    st.sampled_from(["not yet", "coming up", "overdue", "no record"]),
                ),
                max_size=2,
            )
        )
    )
    changed = draw(st.one_of(st.none(), st.integers(0, 2_000)))
    return facts(
        tests=tests,
        inspections=inspections,
        has_record=bool(tests or inspections) or draw(st.booleans()),
        missing_identity=draw(st.sampled_from([(), ("serial number",)])),
        capacity=able,
        due=due,
        events=draw(
            st.sampled_from([(), (EventFact("water hammer", at("2026-04-01"), TODAY, ""),)])
        ),
        sisters=draw(st.sampled_from([(), (SisterFact("X", TODAY, "worn"),)])),
        pair=draw(st.sampled_from([None, PairFact("P-1", 300.0, 0.35)])),
        hydraulics_changed_on=None if changed is None else TODAY - timedelta(days=changed),
    )


def oracle(state):
    """The best word that can be defended, written from the trade's rules alone.

    Not shared with the product: a list of vetoes, each with the best word it leaves.
    """
    best = "Protects"
    order = ["Protects", "Doubtful", "Not known", "Does not protect"]

    def at_best(word):
        nonlocal best
        best = max(best, word, key=order.index)

    test = state.tests[0] if state.tests else None
    opened = state.inspections[0] if state.inspections else None
    need, passed = state.capacity.required_m3_per_h, state.capacity.computed_m3_per_h
    limit = need if need is not None else (test.required_m3_per_h if test else None)
    on_pump = test is not None and test.flow_m3_per_h is not None
    if not state.has_record or need is None or not state.capacity.stable_known:
        at_best("Not known")
    if state.missing_identity and not (on_pump and test.result == "pass"):
        at_best("Not known")
    if test is None or test.result != "pass" or test.method == "on the bench":
        at_best("Doubtful")
    if test is not None and test.result == "fail" and not on_pump:
        at_best("Does not protect")
    if on_pump and limit is not None:
        low = test.flow_m3_per_h * (1 - test.uncertainty_share)
        high = test.flow_m3_per_h * (1 + test.uncertainty_share)
        if high < limit:
            at_best("Does not protect")
        elif low < limit * 1.05 * (1 - 1e-12):
            at_best("Doubtful")
    if opened is not None and (test is None or opened.done_at > test.done_at):
        at_best("Does not protect" if opened.as_found == "failed" else "Doubtful")
    changed = state.hydraulics_changed_on
    fresh = on_pump and (changed is None or test.done_on >= changed)
    if changed is not None and not fresh:
        at_best("Doubtful")
    if not fresh and need is not None:
        if passed is None or passed < need * 1.05 * (1 - 1e-12):
            at_best("Doubtful")
        if passed is not None and passed < need * (1 - 1e-12):
            at_best("Does not protect")
    if not state.due or any(item.state in ("overdue", "no record") for item in state.due):
        at_best("Doubtful")
    if state.events or state.sisters or (state.pair is not None and not fresh):
        at_best("Doubtful")
    return best


@EXAMPLES
@given(plants())
def test_never_a_better_word_than_the_oracle(state):
    order = ["Protects", "Doubtful", "Not known", "Does not protect"]
    found = judge(state, POLICY).word.value
    assert order.index(found) >= order.index(oracle(state)), (found, oracle(state))


@EXAMPLES
@given(plants())
def test_more_against_a_valve_never_makes_it_better(state):
    before = severity(judge(state, POLICY))
    worse = replace(
        state,
        events=(EventFact("reverse rotation", at("2026-05-01"), TODAY, ""),),
        sisters=(SisterFact("Y", TODAY, "worn"),),
        due=(*state.due, due_fact("exchange", state="overdue")),
    )
    assert severity(judge(worse, POLICY)) >= min(before, SEVERITY[Word.DOUBTFUL])
    assert judge(worse, POLICY).word is not Word.PROTECTS
