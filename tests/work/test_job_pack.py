"""The job pack and the job card: what the invented designs of the demo lead to."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.look import proof
from tests.factories.register import (
    ProtectionValveFactory,
    PumpFactory,
    SiteFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.errors import NotFound
from valvecare.core.models import NOT_KNOWN
from valvecare.core.permits import Role
from valvecare.engineering.lifting import LiftingWay
from valvecare.engineering.release import ReleaseWay
from valvecare.models import Finding, ValveDesign
from valvecare.work.reads.job_pack import job_pack
from valvecare.work.rules import GATES, OPENS_THE_VALVE, OrderKind
from valvecare.work.rules.pack import numbered_steps

pytestmark = pytest.mark.django_db
ROOT = Path(__file__).resolve().parent.parent.parent
DESIGNS = json.loads((ROOT / "fixtures/demo/designs.json").read_text())["rows"]


def design_of(code, dn, revision, **more):
    [row] = [
        row for row in DESIGNS if (row["code"], row["dn"], row["revision"]) == (code, dn, revision)
    ]
    return ValveDesign.objects.create(**{**row, **more})


@pytest.fixture
def site():
    return SiteFactory(time_zone="Europe/Oslo")


def pack_for(site, kind=OrderKind.STRIP_DOWN, **valve):
    order = WorkOrderFactory(valve=valve_at(site, **valve), kind=kind.value)
    return job_pack(order.pk, member(site, Role.PLANNER))


def line(pack, name):
    [found] = [line for line in pack.go if line.name == name]
    return found


def test_nh_fw_3v_is_released_on_its_standard_studs(site):
    """CED-100 rev B (invented): 5.3 N/mm, 130 to 100 mm, studs give 45 mm: 159 N, 2.4 J."""
    pack = pack_for(site, tag="NH-FW-3V", design=design_of("CED-100", 100, "B"))
    assert pack.release.way is ReleaseWay.STANDARD_STUDS
    assert round(pack.release.need.preload_n) == 159
    assert round(pack.release.need.energy_j, 1) == 2.4
    assert (pack.release.rods, pack.release.clamp) == ((), False)
    assert line(pack, "rods and spring").is_go
    assert line(pack, "identity").is_go
    assert pack.tightening.order == (1, 5, 3, 7, 2, 6, 4, 8)


def test_af_cr_2v_counts_as_loaded_with_rods_and_a_clamp(site):
    """BIR-40 DN100 with a missing plate: the design's spring numbers prove nothing."""
    design = design_of("BIR-40", 100, NOT_KNOWN)
    pack = pack_for(site, tag="AF-CR-2V", design=design, serial=NOT_KNOWN)
    assert pack.release.way is ReleaseWay.TREAT_AS_LOADED
    assert pack.release.clamp
    assert pack.release.rods == (1, 3, 5, 7)
    assert pack.release.need.preload_n is None
    assert not line(pack, "identity").is_go
    rods = line(pack, "rods and spring")
    assert not rods.is_go
    assert "Long rods and a clamp" in rods.words


def test_a_valve_of_no_known_design_counts_as_loaded(site):
    pack = pack_for(site, design=None, serial=NOT_KNOWN)
    assert pack.release.way is ReleaseWay.TREAT_AS_LOADED
    assert "clamp" in " ".join(pack.release.instructions)
    assert pack.lifting.verdict.way is LiftingWay.LIFTING_GEAR
    assert pack.tightening.order == ()
    assert "not known: count them" in pack.tightening.words


@pytest.mark.parametrize(
    ("case", "travel", "way"),
    [("studs reach", 40.0, ReleaseWay.STANDARD_STUDS), ("not quite", 39.9, ReleaseWay.LONG_RODS)],
)
def test_the_margin_of_the_owner_decides(site, case, travel, way):
    design = design_of("CED-100", 100, "B", stud_travel_mm=travel)
    assert pack_for(site, design=design).release.way is way


def test_an_insane_stud_travel_is_refused_and_handled_as_loaded(site):
    pack = pack_for(site, design=ValveDesignFactory(stud_travel_mm=float("1e6")))
    assert pack.release.need is None
    assert "stud_travel_m" in pack.release.refusal
    assert "clamp" in " ".join(pack.release.instructions)
    assert not line(pack, "rods and spring").is_go


def test_no_torque_without_lubricant_and_joint_data(site):
    unknown = {"cover_lubricant": NOT_KNOWN, "cover_friction_thread": None}
    pack = pack_for(site, design=design_of("CED-100", 100, "B", **unknown))
    words = pack.tightening.words
    assert words.startswith("No torque: not known is lubricant, friction of the lubricant. ")
    assert "N m" not in words


def test_a_heavy_cover_needs_gear_and_the_line_says_so(site):
    pack = pack_for(site, design=design_of("ALD-16", 250, "A"))
    assert pack.lifting.verdict.way is LiftingWay.LIFTING_GEAR
    assert "62 kg reaches the policy limit of 25 kg" in line(pack, "lifting").words


def test_a_proof_turns_its_line_green(site):
    job = Job(site).to_readied()
    pack = job_pack(job.order.pk, member(site, Role.PLANNER))
    named = [one for one in pack.go if one.name != "identity"]
    assert [one.is_go for one in named] == [True] * 6
    assert {one.words for one in named} == set(job.order.readiness.values())


def test_isolation_names_three_connections_both_sides_and_every_start(site):
    pump = PumpFactory(group__site=site, group__common_return=True, tag="P-A")
    PumpFactory(group=pump.group, tag="P-B", role="standby")
    pack = pack_for(site, pump=pump)
    points = [row.point for row in pack.isolation]
    assert [p for p in points if p.startswith("Automatic start")] == [
        "Automatic start of pump P-A",
        "Automatic start of pump P-B",
    ]
    for wanted in (
        "Pump side (inlet)",
        "Header side (main outlet)",
        "Bypass return line, shared with the other pumps of the group",
        "Vent and drain on the pump side of the disc",
        "Vent and drain on the header side of the disc",
    ):
        assert points.count(wanted) == 1


@pytest.mark.parametrize("kind", OrderKind)
def test_each_kind_has_the_parts_that_apply(site, kind):
    pack = pack_for(site, kind)
    opens = kind in OPENS_THE_VALVE
    assert bool(pack.isolation) == opens
    assert (pack.tightening is not None) == opens
    assert (pack.release is not None) == ("cover released" in GATES[kind])
    numbers = [step.number for step in pack.steps]
    assert numbers == list(range(1, len(numbers) + 1))
    assert [step.name for step in pack.steps[1 : len(GATES[kind]) + 1]] == list(GATES[kind])
    assert pack.hold_points[0].startswith("Identity")


@pytest.mark.parametrize("kind", OrderKind)
def test_only_a_kind_that_lifts_the_cover_is_told_of_lifting_it(site, kind):
    """What a bypass-only order and an exchange open is not the cover. Common practice."""
    pack = pack_for(site, kind, design=design_of("ALD-16", 250, "A"))
    lets_go = "cover released" in GATES[kind]
    assert (pack.lifting is not None) == lets_go
    assert any("62 kg" in row.words for row in pack.go) == lets_go
    told = {caution.id for caution in pack.cautions}
    assert {"spring-cover", "compress-evenly"} & told == (
        {"spring-cover", "compress-evenly"} if lets_go else set()
    )


def test_a_bypass_only_order_asks_for_no_lifting(site):
    pack = pack_for(site, OrderKind.BYPASS_ONLY)
    names = [row.name for row in pack.go]
    assert names == ["identity", "kit", "permit", "crew and skill", "test slot"]
    assert "Locks new and witnessed, every piece counted" in pack.hold_points


def test_an_exchange_lifts_the_whole_valve_whose_mass_nobody_has_written_down(site):
    pack = pack_for(site, OrderKind.EXCHANGE, design=design_of("CED-100", 100, "B"))
    lifting = line(pack, "lifting")
    assert not lifting.is_go
    assert "whole valve" in lifting.words
    assert "cover" not in lifting.words
    assert "lifting" in {caution.id for caution in pack.cautions}
    assert "Locks new and witnessed, every piece counted" not in pack.hold_points


@pytest.mark.parametrize("kind", sorted(OPENS_THE_VALVE))
def test_whoever_breaks_a_joint_is_warned_of_trapped_pressure(site, kind):
    told = {caution.id for caution in pack_for(site, kind).cautions}
    assert {"trapped-pressure", "hot-water", "three-isolations", "torque-basis"} <= told


def test_what_was_found_last_time_is_told_and_this_order_is_not(site):
    valve = valve_at(site)
    at = datetime(2023, 6, 22, 10, tzinfo=UTC)
    for year, words in ((2021, "old"), (2023, "light rub")):
        past = WorkOrderFactory(valve=valve, state="closed", ended_at=at.replace(year=year))
        Finding.objects.create(
            order=past,
            revision=1,
            part="bypass trim",
            found=words,
            value=0.02,
            unit="mm",
            grade="3",
            decision="lap",
            at=at.replace(year=year),
            recorded_at=at,
        )
    job = Job(site, WorkOrderFactory(valve=valve)).to_under_way()
    Finding.objects.create(
        order=job.order, revision=1, part="bypass trim", found="now", at=at, recorded_at=at
    )
    other = WorkOrderFactory(valve=valve_at(site), state="closed", ended_at=at)
    Finding.objects.create(
        order=other, revision=1, part="cover", found="elsewhere", at=at, recorded_at=at
    )
    pack = job_pack(job.order.pk, member(site, Role.TECHNICIAN))
    [row] = pack.last
    assert (row.part, row.found, row.value, row.grade_words, row.decision) == (
        "bypass trim",
        "light rub",
        0.02,
        "not fit, can be made fit",
        "lap",
    )


def test_the_method_is_judged_by_what_this_valve_was_tested_with(site):
    pump = PumpFactory(group__site=site, with_curve=True)
    type(site).objects.filter(pk=site.pk).update(atmospheric_pressure_bar_a=1.013)
    valve = valve_at(site, pump=pump)
    order = WorkOrderFactory(valve=valve)
    user = member(site, Role.PLANNER)
    bare = job_pack(order.pk, user).test_plan
    assert bare.methods == ()
    assert "no test of this valve with a recorded uncertainty" in bare.words
    proof(valve, 29.8, "pass", method="flow meter", uncertainty_share=0.05)
    plan = job_pack(order.pk, user).test_plan
    best = plan.methods[0]
    assert (best.method, best.able) == ("meter in the bypass line", True)
    assert best.relative_uncertainty == pytest.approx(
        0.025
    )  # standard, half of the recorded one (k = 2)
    circular = [row for row in plan.methods if row.method == "Kv and pressure drop"]
    assert not circular[0].able
    assert plan.required_m3_per_h == 27.0


def test_a_stranger_gets_no_pack(site):
    order = WorkOrderFactory(valve=valve_at(site))
    stranger = member(SiteFactory(), Role.PLANNER)
    with pytest.raises(NotFound):
        job_pack(order.pk, stranger)
    client = Client()
    client.force_login(stranger)
    for name in ("job-pack", "job-card"):
        url = reverse(f"valvecare:{name}", args=[order.pk])
        assert client.get(url).status_code == 404
        assert "/login/" in Client().get(url)["Location"]


@pytest.fixture
def shown(site):
    valve = valve_at(site, tag="NH-FW-3V", design=design_of("CED-100", 100, "B"))
    order = WorkOrderFactory(valve=valve)
    client = Client()
    client.force_login(member(site, Role.TECHNICIAN))

    def get(name):
        answer = client.get(reverse(f"valvecare:{name}", args=[order.pk]))
        assert answer.status_code == 200
        return answer.content.decode()

    return get


@pytest.mark.parametrize("name", ["job-pack", "job-card"])
def test_pages_are_small_and_ids_are_unique(shown, name):
    page = shown(name)
    assert len(page.encode()) <= 60_000
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    labelled = {
        one for ref in re.findall(r'aria-labelledby="([^"]+)"', page) for one in ref.split()
    }
    assert labelled <= set(ids)
    assert page.count("<figure") == 3
    assert " style=" not in page


def test_the_card_carries_the_numbers_of_the_steps_and_room_to_sign(shown):
    page = shown("job-card")
    steps = numbered_steps(OrderKind.STRIP_DOWN)
    heads = re.findall(r'<h2 id="step-(\d+)">(\d+) ([^<]+)</h2>', page)
    assert heads == [(str(s.number), str(s.number), s.name.capitalize()) for s in steps]
    assert page.count("Done by") == page.count("Recorded by") == len(steps)
    assert "Printed" in page
    assert '<svg role="img" aria-label="Square code that leads to order WO-' in page


def test_the_pack_costs_the_same_few_queries(site, django_assert_max_num_queries):
    order = WorkOrderFactory(valve=ProtectionValveFactory(pump__group__site=site))
    user = member(site, Role.PLANNER)
    with django_assert_max_num_queries(34):
        job_pack(order.pk, user)
