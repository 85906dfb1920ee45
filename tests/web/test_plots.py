"""Plots: no spike is lost, gaps stay gaps, every drawing has a name, words and a table.

What is checked against the outside: calendar facts (the night of 25 October 2026 has 25 hours in
Stockholm by EU Directive 2000/84/EC, which ends summer time on the last Sunday of October), and
the W3C accessible-name rules for SVG (title and desc referenced by aria-labelledby).
"""

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvecare.engineering.errors import OutOfRange
from valvecare.web.plot_scales import round_ticks, thin
from valvecare.web.plots import Band, Limit, Line, Marker, NumberAxis, TimeAxis, draw
from valvecare.web.share_bar import share_bar

STOCKHOLM = ZoneInfo("Europe/Stockholm")
FLOW = NumberAxis("Main flow", "m³/h")


def seconds(*parts: int) -> float:
    return datetime(*parts, tzinfo=STOCKHOLM).timestamp()  # type: ignore[misc]


def test_thinning_keeps_one_spike_up_and_one_down_among_100_000_points():
    x = np.arange(100_000.0)
    y = np.full(100_000, 24.1)
    y[31_337], y[70_001] = 99.0, -5.0
    tx, ty = thin(x, y, 240)
    assert len(tx) <= 960
    assert ty.max() == 99.0
    assert tx[ty.argmax()] == 31_337
    assert ty.min() == -5.0
    assert tx[ty.argmin()] == 70_001
    assert (tx[0], tx[-1]) == (0, 99_999)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=1, max_size=400),
    st.integers(1, 12),
)
def test_thinning_keeps_extremes_order_and_bound(ys, columns):
    x, y = np.arange(float(len(ys))), np.array(ys)
    tx, ty = thin(x, y, columns)
    assert (np.diff(tx) > 0).all()
    assert len(tx) <= 5 * columns
    if np.isfinite(y).any():
        assert np.nanmin(ty) == np.nanmin(y)
        assert np.nanmax(ty) == np.nanmax(y)
    # nothing is invented
    assert all((value == y[int(at)]) or np.isnan(value) for at, value in zip(tx, ty, strict=True))


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0, 1, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (0, 237, [0, 50, 100, 150, 200]),
        (-3, 3, [-2, 0, 2]),
        (24.05, 24.15, [24.06, 24.08, 24.1, 24.12, 24.14]),
    ],
)
def test_ticks_are_round_and_inside(low, high, ticks):
    assert round_ticks(low, high, 5) == pytest.approx(ticks)


def test_a_day_with_25_hours_has_its_ticks_at_whole_local_hours():
    axis = TimeAxis(STOCKHOLM)
    low, high = seconds(2026, 10, 25), seconds(2026, 10, 26)
    assert high - low == 25 * 3600
    ticks = axis.ticks(low, high, 5)
    assert [words for _, words in ticks] == ["25 Oct", "06:00", "12:00", "18:00", "26 Oct"]
    hours = [datetime.fromtimestamp(at, tz=STOCKHOLM).hour for at, _ in ticks]
    assert hours == [0, 6, 12, 18, 0]


def test_the_hour_that_is_left_out_in_spring_has_no_tick():
    axis = TimeAxis(STOCKHOLM)
    ticks = axis.ticks(seconds(2026, 3, 29, 0), seconds(2026, 3, 29, 5), 5)
    assert [words for _, words in ticks] == ["29 Mar", "01:00", "03:00", "04:00", "05:00"]
    assert np.diff([at for at, _ in ticks]).tolist() == [3600] * 4


def test_months_and_years_are_named():
    axis = TimeAxis(STOCKHOLM)
    words = [w for _, w in axis.ticks(seconds(2025, 3, 10), seconds(2026, 5, 4), 5)]
    assert words == ["Apr 2025", "Jul", "Oct", "Jan 2026", "Apr"]
    words = [w for _, w in axis.ticks(seconds(2012, 3, 10), seconds(2026, 5, 4), 5)]
    assert words == ["2015", "2020", "2025"]


def test_words_of_an_instant_name_the_zone_in_use():
    winter, summer = seconds(2026, 1, 4, 14), seconds(2026, 5, 4, 14)
    assert TimeAxis(STOCKHOLM).words(winter) == "4\u00a0Jan\u00a02026, 14:00\u00a0CET"
    assert TimeAxis(STOCKHOLM).words(summer) == "4\u00a0May\u00a02026, 14:00\u00a0CEST"
    noon = datetime(2026, 5, 4, 12, tzinfo=UTC).timestamp()
    assert TimeAxis(ZoneInfo("Asia/Muscat")).words(noon).endswith("16:00\u00a0UTC+04:00")
    assert TimeAxis(ZoneInfo("Asia/Kolkata")).words(noon).endswith("17:30\u00a0IST")


def test_the_drawing_has_a_name_a_description_and_every_value_in_a_table():
    html = draw(
        "curve-1",
        title="Head of NH-FW-1P",
        unit="m",
        axis=FLOW,
        lines=[Line("Curve", [0, 45, 90], [864.0, 828.0, 720.0])],
        limits=[Limit("Needed", 700)],
    )
    svg = ET.fromstring(re.search(r'<svg role="img".*</svg>(?=</div>)', html)[0])
    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == "curve-1-title curve-1-desc"
    assert svg.findtext("title") == "Head of NH-FW-1P"
    assert svg.findtext("desc") == (
        "Curve: 3 values from 0 m³/h to 90 m³/h, lowest 720\u00a0m, highest 864\u00a0m, last "
        "720\u00a0m. Needed: 700\u00a0m."
    )
    rows = re.findall(r"<tr><td>(.*?)</td><td>(.*?)</td></tr>", html)
    assert rows == [
        ("0 m³/h", "864\u00a0m"),
        ("45 m³/h", "828\u00a0m"),
        ("90 m³/h", "720\u00a0m"),
    ]


def test_a_long_series_is_tabled_by_slices_that_keep_the_spike():
    y = np.full(5000, 20.0)
    y[4321] = 88.0
    html = draw("t", title="T", unit="K", axis=FLOW, lines=[Line("L", np.arange(5000.0), y)])
    assert html.count("<tr>") == 61
    assert html.count("88\u00a0K</td>") == 1
    assert len(html) < 30_000


def test_nothing_inline_and_nothing_from_outside():
    html = draw(
        "a",
        title="<b>&",
        unit="m",
        axis=TimeAxis(STOCKHOLM),
        lines=[Line("<i>", [0, 9e5], [1, 2]), Line("p", [0, 9e5], [1, 2], "points", [0.1, 0.2])],
        markers=[Marker(4e5, "<script>")],
        bands=[Band("b", [0, 9e5], [0.5, 1], [2, 3])],
    )
    for banned in ("style=", "<script", "http", "onload", "<i>", "<b>"):
        assert banned not in html
    assert "&lt;script&gt;, 5\u00a0Jan\u00a01970" in html


def test_a_gap_breaks_the_line():
    html = draw(
        "g",
        title="T",
        unit="m",
        axis=FLOW,
        lines=[Line("L", [0, 1, 2, 3, 4], [1, 2, float("nan"), 2, 1])],
    )
    paths = re.findall(r'class="line line-1" vector-effect="non-scaling-stroke" d="([^"]+)"', html)
    assert len(paths) == 2
    assert "no value" in html


def test_a_counter_is_drawn_in_steps():
    html = draw("s", title="T", unit="h", axis=FLOW, lines=[Line("L", [0, 1], [1, 2], "steps")])
    assert re.search(r'd="M0\.0 [\d.]+H1000\.0V[\d.]+"', html)


def test_error_bars_and_their_numbers():
    html = draw(
        "e",
        title="Bypass flow",
        unit="m³/h",
        axis=TimeAxis(STOCKHOLM),
        lines=[Line("Test", [seconds(2025, 9, 23, 10)], [21.0], "points", [1.05])],
        limits=[Limit("Required", 27.0)],
    )
    assert html.count('class="error line-1"') == 1
    assert "±\u00a01.05\u00a0m³/h" in html
    assert "Required 27\u00a0m³/h" in html


def test_a_single_point_stands_in_the_middle_of_a_quarter_of_a_year():
    at = seconds(2025, 9, 23, 10)
    html = draw(
        "one",
        title="T",
        unit="m³/h",
        axis=TimeAxis(STOCKHOLM),
        lines=[Line("Test", [at], [21.0], "points")],
    )
    assert 'cx="50.00%"' in html
    assert re.findall(r'class="tick"[^>]*>([A-Z0-9][^<]*[A-Za-z][^<]*)<', html) == [
        "Sep 2025",
        "Oct",
        "Nov",
    ]


def test_markers_are_numbered_by_time():
    html = draw(
        "m",
        title="T",
        unit="m",
        axis=FLOW,
        lines=[Line("L", [0, 9], [1, 2])],
        markers=[Marker(6, "later"), Marker(3, "earlier")],
    )
    key = re.findall(r'flag-key">(\d)</span>(\w+),', html)
    assert key == [("1", "earlier"), ("2", "later")]


def test_without_a_value_a_sentence_and_no_drawing():
    html = draw("n", title="T", unit="m", axis=FLOW, lines=[Line("L", [], [])])
    assert "No values to draw yet." in html
    assert "<svg" not in html


@pytest.mark.parametrize(
    ("case", "line"),
    [
        ("x goes back", Line("L", [1, 0], [1, 2])),
        ("x not finite", Line("L", [0, float("inf")], [1, 2])),
        ("y infinite", Line("L", [0, 1], [1, float("inf")])),
        ("lengths differ", Line("L", [0, 1], [1])),
        ("negative error", Line("L", [0, 1], [1, 2], "points", [0.1, -0.1])),
    ],
)
def test_insane_numbers_are_refused(case, line):
    with pytest.raises(OutOfRange):
        draw("r", title="T", unit="m", axis=FLOW, lines=[line])


def test_share_bar_says_the_number_and_caps_the_bar_not_the_number():
    html = share_bar(1.43, "overdue", coming_up_from=0.9)
    assert "tone-bad" in html
    assert "M0 3h114.4v8H0z" in html
    assert ">1.43<" in html
    assert "M0 3h120.0v8H0z" in share_bar(9.0, "overdue", coming_up_from=0.9)
    assert ">9.00<" in share_bar(9.0, "overdue", coming_up_from=0.9)


def test_share_bar_without_a_record_is_empty_and_says_so():
    html = share_bar(None, "no record", coming_up_from=0.9)
    assert "tone-unknown" in html
    assert "share-empty" in html
    assert "not known" in html
    assert "M0 3h0.0v8H0z" in html


def test_share_bar_marks_a_lower_bound():
    assert "≥ 0.82" in share_bar(0.82, "not yet", coming_up_from=0.9, at_least=True)


@pytest.mark.parametrize("share", [float("nan"), float("inf"), -0.1])
def test_share_bar_refuses_what_is_no_share(share):
    with pytest.raises(OutOfRange):
        share_bar(share, "not yet", coming_up_from=0.9)
