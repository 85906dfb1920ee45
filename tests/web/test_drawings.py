"""Drawings at the valve: an accessible name, every bolt once, the order that the plan says."""

import re
import xml.etree.ElementTree as ET
from math import atan2, degrees

import pytest

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.release import rod_positions
from valvecare.engineering.tightening import (
    COMMON_PRACTICE_PASSES,
    tightening_order,
    tightening_plan,
)
from valvecare.web.drawings import (
    MIDDLE,
    PartMark,
    release_drawing,
    tightening_drawing,
    valve_drawing,
)
from valvecare.work.rules import GRADE_WORDS, PartName

GRADES = {grade.value: words for grade, words in GRADE_WORDS.items()}


def svg_of(figure):
    root = ET.fromstring(figure)  # noqa: S314 our own drawing
    return root, root.find(".//svg")


def bolts(svg):
    return {int(g.get("data-position")): g for g in svg.findall("g[@class='bolt']")}


def named(svg):
    """The accessible name and description that aria-labelledby points at."""
    ids = svg.get("aria-labelledby").split()
    by_id = {one.get("id"): one.text for one in svg.iter() if one.get("id")}
    return [by_id[one] for one in ids]


def text_of(group, kind):
    [text] = [one.text for one in group.findall("text") if one.get("class") == kind]
    return int(text)


@pytest.mark.parametrize("count", [2, 4, 5, 8, 12, 16, 24, 32])
def test_every_bolt_is_drawn_once_with_its_turn(count):
    order = tightening_order(count)
    _, svg = svg_of(tightening_drawing("joint", title="Cover", order=order))
    drawn = bolts(svg)
    assert sorted(drawn) == list(range(1, count + 1))
    assert len(svg.findall("g[@class='bolt']")) == count
    turns = {position: text_of(group, "turn") for position, group in drawn.items()}
    assert tuple(sorted(turns, key=turns.get)) == order
    assert {p: text_of(g, "position") for p, g in drawn.items()} == {p: p for p in drawn}


@pytest.mark.parametrize("count", [4, 8, 12])
def test_positions_run_clockwise_from_the_top(count):
    _, svg = svg_of(tightening_drawing("joint", title="Cover", order=tightening_order(count)))
    for position, group in bolts(svg).items():
        nut = group.find("circle")
        x, y = float(nut.get("cx")) - MIDDLE, float(nut.get("cy")) - MIDDLE
        clockwise = degrees(atan2(x, -y)) % 360
        assert clockwise == pytest.approx(360 * (position - 1) / count, abs=0.5)


def test_the_drawing_has_a_name_and_the_same_content_in_words():
    """Order of 8: public gasket FAQ after the Fluid Sealing Association (seen)."""
    plan = tightening_plan(8, 218.0, policy=COMMON_PRACTICE_PASSES)
    figure = tightening_drawing("joint", title="Cover <X>", order=plan.order, steps=plan.steps)
    root, svg = svg_of(figure)
    name, description = named(svg)
    assert svg.get("role") == "img"
    assert name == "Cover <X>"
    assert "1, 5, 3, 7, 2, 6, 4, 8" in description
    words = "".join(root.find(".//div[@class='drawing-words']").itertext())
    assert "1, 5, 3, 7, 2, 6, 4, 8" in words
    items = root.findall(".//ol/li")
    assert len(items) == len(plan.steps)
    assert "65.4 N m" in "".join(items[1].itertext())


def test_too_many_bolts_are_listed_and_not_drawn():
    root, svg = svg_of(tightening_drawing("joint", title="Cover", order=tightening_order(40)))
    assert bolts(svg) == {}
    words = "".join(root.find(".//div[@class='drawing-words']").itertext())
    assert re.findall(r"\d+", words.split(":")[-1]) == [str(p) for p in tightening_order(40)]


@pytest.mark.parametrize("order", [(1,), (1, 1), (1, 3), (0, 1), ()])
def test_an_order_that_is_no_order_is_refused(order):
    with pytest.raises(OutOfRange):
        tightening_drawing("joint", title="Cover", order=order)


def test_a_key_that_is_no_key_is_refused():
    with pytest.raises(OutOfRange):
        tightening_drawing('x" onload="', title="Cover", order=(1, 2))


def test_rods_are_square_and_named_nuts_are_round():
    rods = rod_positions(12, rods=4)
    figure = release_drawing(
        "release", title="Release", bolt_count=12, rods=rods, clamp=False, instructions=("Do it.",)
    )
    root, svg = svg_of(figure)
    drawn = bolts(svg)
    assert len(drawn) == 12
    assert {p for p, g in drawn.items() if g.find("rect") is not None} == set(rods)
    assert {p for p, g in drawn.items() if g.find("circle") is not None} == set(drawn) - set(rods)
    assert "positions 1, 4, 7, 10" in named(svg)[1]
    assert [li.text for li in root.findall(".//ol/li")] == ["Do it."]
    assert svg.find("path[@class='clamp']") is None


def test_a_clamp_is_drawn_and_said():
    _, svg = svg_of(
        release_drawing(
            "release", title="Release", bolt_count=8, rods=(1, 5), clamp=True, instructions=()
        )
    )
    assert svg.find("path[@class='clamp']") is not None
    assert "clamp" in named(svg)[1]


def test_a_rod_where_no_bolt_is_is_refused():
    with pytest.raises(OutOfRange):
        release_drawing(
            "release", title="Release", bolt_count=8, rods=(9,), clamp=False, instructions=()
        )


@pytest.mark.parametrize(
    ("grade", "tone", "shape"),
    [
        ("0", "good", "circle"),
        ("1", "good", "circle"),
        ("2", "warn", "path"),
        ("3", "warn", "path"),
        ("4", "bad", "rect"),
        ("?", "unknown", "circle"),
        ("", "unknown", "circle"),
    ],
)
def test_a_finding_is_marked_by_word_colour_and_shape(grade, tone, shape):
    mark = PartMark("main disc", grade, "score 0.02 mm")
    figure = valve_drawing("v", title="X", has_lever=True, marks=[mark], grades=GRADES)
    root, svg = svg_of(figure)
    [drawn] = svg.findall("g[@data-part]")
    assert drawn.get("class") == f"mark tone-{tone}"
    assert drawn.find(shape) is not None
    word = GRADES.get(grade, "not judged")
    assert f"1 main disc: {word}, score 0.02 mm" in named(svg)[1]
    assert word in "".join(root.find(".//ol/li").itertext())


def test_every_part_of_the_list_is_marked_or_listed():
    parts = [part.value for part in PartName]
    figure = valve_drawing("v", title="X", has_lever=False, marks=[], grades=GRADES, asked=parts)
    root, svg = svg_of(figure)
    assert len(root.findall(".//ol/li")) == len(parts)
    assert len(svg.findall("g[@data-part]")) == len(parts) - 1  # 'all parts' has no place
    places = {ET.tostring(g[0]) for g in svg.findall("g[@data-part]")}
    assert len(places) == len(parts) - 1


@pytest.mark.parametrize(
    ("has_lever", "word", "levers"),
    [(True, "lever to the bypass", 1), (False, "bypass sleeve", 0), (None, "not known", 0)],
)
def test_lever_and_sleeve_are_told_apart(has_lever, word, levers):
    _, svg = svg_of(valve_drawing("v", title="X", has_lever=has_lever, marks=[], grades=GRADES))
    assert word in named(svg)[1]
    assert len(svg.findall("path[@class='lever']")) == levers


def test_words_are_escaped():
    mark = PartMark("main disc", "1", "<script>x</script>")
    figure = valve_drawing("v", title="<b>", has_lever=True, marks=[mark], grades=GRADES)
    assert "<script>" not in figure
    assert "<b>" not in figure
    assert "style=" not in figure
