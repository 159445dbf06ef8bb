"""Charts: ticks in the job's zone, points that keep every spike, drawings that are well-formed and say the same."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.charts.decimate import buckets, gaps, line_points
from monitord.charts.draw import draw
from monitord.charts.labels import Box, Ribbon, name_positions, text_box
from monitord.charts.parts import NARROW, WIDE, Array, Chart, Level, Marker, Out, Point, Shade, Size, Trace, Window
from monitord.charts.shade import shaded
from monitord.charts.time_axis import clock_change, first_instant, time_ticks
from monitord.charts.value_axis import nice_axis, value_axis
from monitord.model.assessments import Forecast
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.web.charts.figure_parts import Scene, expected
from monitord.web.text.local_time import LocalTimes

LONDON = ZoneInfo("Europe/London")


def window(start: str, end: str, zone: str = "Europe/London") -> Window:
    location = ZoneInfo(zone)
    return Window(
        datetime.fromisoformat(start).replace(tzinfo=location).timestamp(),
        datetime.fromisoformat(end).replace(tzinfo=location).timestamp(),
        location,
    )


def trace(time_s: Array, value: Array, **more: object) -> Trace:
    return Trace(style="s1", label="cavity", time_s=time_s, value=value, **more)  # type: ignore[arg-type]


# --- the goal that is expected -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low_d", "high_d", "bar_d", "said"),
    [
        (7.0, 12.0, (7.0, 12.0), "expected 1 to 6 Dec, with a chance of 80 %."),
        (7.0, None, (7.0, 20.0), "expected not before 1 Dec."),
        (-3.0, None, (-3.0, 20.0), "expected any day, or perhaps not in this air."),
        (7.0, 90.0, (7.0, 20.0), "expected 1 Dec to 22 Feb 2027, with a chance of 80 %."),
        (20.0, 25.0, None, ""),  # later than by as much as is shown
        (-3.0, 0.0, None, ""),  # before the end of what is shown
        (None, None, None, ""),
    ],
)
def test_a_bar_spans_the_days_in_which_a_goal_is_expected(
    low_d: float | None, high_d: float | None, bar_d: tuple[float, float] | None, said: str
) -> None:
    now = datetime(2026, 11, 24, 7, tzinfo=UTC)
    low, high = (None if days is None else now + timedelta(days=days) for days in (low_d, high_d))
    forecast = Forecast(made_at=now, low=low, middle=low, high=high, never=False, high_never=high is None)
    job = JobFile(job="j", start=now - timedelta(days=30))
    times = LocalTimes(job.zone, now)
    scene = Scene(job, now - timedelta(days=20), now, times, AnalysisOptions(), (), (), forecast=forecast)
    shown, bars, words = expected(scene, 70.0)
    assert [line.removeprefix("Bar on the goal: ").replace("\u00a0", " ") for line in words] == ([said] if said else [])
    assert expected(scene, None) == (scene.window, (), []), "the chart has no goal"
    if bar_d is None:
        assert (shown, bars) == (scene.window, ())
        return
    (bar,) = bars
    assert ((bar.time_s - now.timestamp()) / 86_400.0).tolist() == pytest.approx(bar_d)
    assert bar.value.tolist() == [70.0, 70.0]
    assert bar_d[1] <= (shown.end_s - now.timestamp()) / 86_400.0 <= 20.0


# --- the time axis -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "start", "end"),
    [
        ("Europe/London", "2026-10-20", "2026-10-29"),  # clocks go back on 25 October (Directive 2000/84/EC)
        ("Europe/London", "2026-03-25", "2026-04-02"),  # and forward on 29 March
        ("America/New_York", "2026-10-28", "2026-11-05"),
        ("Australia/Lord_Howe", "2026-04-01", "2026-04-09"),  # by half an hour
        ("Asia/Kathmandu", "2026-04-01", "2026-04-09"),  # +05:45 all year
    ],
)
def test_day_ticks_are_the_local_midnights_that_pandas_gives(zone: str, start: str, end: str) -> None:
    ticks = time_ticks(window(start, end, zone), 10)
    expected = pd.date_range(start, end, freq="D", tz=zone)
    assert [tick.time_s for tick in ticks] == [stamp.timestamp() for stamp in expected]
    assert [tick.label for tick in ticks] == [f"{stamp.day} {stamp.strftime('%b')}" for stamp in expected]


def test_clock_ticks_stay_at_round_local_times_over_the_longest_day_of_the_year() -> None:
    ticks = time_ticks(window("2026-10-25T00:00", "2026-10-26T00:00"), 5)
    steps = np.diff([tick.time_s for tick in ticks]) / 3600
    assert [tick.label for tick in ticks] == ["25 Oct", "06:00", "12:00", "18:00", "26 Oct"]
    assert steps.tolist() == [7, 6, 6, 6]  # 01:00 to 02:00 comes twice


def test_a_clock_time_that_is_skipped_has_no_tick() -> None:
    labels = [tick.label for tick in time_ticks(window("2026-03-29T00:00", "2026-03-29T05:00"), 5)]
    assert labels == ["29 Mar", "02:00", "03:00", "04:00", "05:00"]  # 01:00 does not exist that day


def test_a_clock_time_that_comes_twice_has_its_tick_at_the_first() -> None:
    ticks = time_ticks(window("2026-10-25T00:30", "2026-10-25T03:30"), 5)
    assert [tick.label for tick in ticks] == ["01:00", "02:00", "03:00"]
    assert ticks[0].time_s == datetime(2026, 10, 25, 0, 0, tzinfo=UTC).timestamp()


def test_a_day_begins_after_a_skipped_midnight_and_a_skipped_day_does_not_begin() -> None:
    # Beirut moved its clocks at midnight on 27 March 2022; Samoa left out 30 December 2011 (IANA tz database)
    begins = first_instant(datetime(2022, 3, 27, tzinfo=UTC).date(), ZoneInfo("Asia/Beirut"))
    assert begins == datetime(2022, 3, 26, 22, 0, tzinfo=UTC)
    assert first_instant(datetime(2011, 12, 30, tzinfo=UTC).date(), ZoneInfo("Pacific/Apia")) is None


def test_the_change_of_the_clocks_is_known() -> None:
    assert clock_change(window("2026-10-24", "2026-10-26")) == timedelta(hours=-1)
    assert clock_change(window("2026-11-24", "2026-11-26")) == timedelta(0)


@given(
    st.integers(946_684_800, 2_051_222_400),  # 2000 to 2035
    st.floats(min_value=60.0, max_value=20 * 365 * 86_400.0),
    st.sampled_from(["UTC", "Europe/London", "America/St_Johns", "Pacific/Apia", "Asia/Tehran"]),
    st.integers(min_value=3, max_value=10),
)
def test_any_window_has_few_ticks_in_order_inside_it(begin: int, length: float, zone: str, maximum: int) -> None:
    shown = Window(begin, begin + length, ZoneInfo(zone))
    times = [tick.time_s for tick in time_ticks(shown, maximum)]
    assert len(times) <= maximum + 2
    assert all(begin <= t <= begin + length for t in times)
    assert times == sorted(set(times))


# --- the value axis ----------------------------------------------------------------------------------------------


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(3, 9))
def test_a_value_axis_holds_its_range_in_few_round_steps(low: float, span: float, maximum: int) -> None:
    axis = nice_axis(low, low + span, maximum)
    assert axis.low <= low + 1e-6 * axis.step
    assert axis.high >= low + span - 1e-6 * axis.step
    assert len(axis.ticks) <= maximum + 1
    assert f"{axis.step:e}"[:3].rstrip(".0") in {"1", "2", "2.5", "5"}


def test_a_band_does_not_push_humidity_over_a_hundred_but_a_reading_does() -> None:
    time_s = np.arange(10.0) * 600
    shown = Window(0.0, 6000.0, LONDON)
    calm = Chart("", "", "%", shown, (trace(time_s, np.full(10, 99.0), uncertainty=np.full(10, 3.0)),), ceiling=100.0)
    over = Chart("", "", "%", shown, (trace(time_s, np.full(10, 103.0), uncertainty=np.full(10, 3.0)),), ceiling=100.0)
    assert value_axis(calm, 7).high == 100.0
    assert value_axis(over, 7).high >= 103.0


# --- fewer points ------------------------------------------------------------------------------------------------


@given(
    st.lists(st.floats(-50, 150) | st.just(float("nan")), min_size=1, max_size=300),
    st.integers(1, 50),
    st.randoms(use_true_random=False),
)
def test_no_extreme_is_lost_and_none_is_made_up(values: list[float], maximum: int, random: object) -> None:
    steps = np.array([random.choice((600.0, 601.0, 4000.0)) for _ in values])  # type: ignore[attr-defined]
    time_s, value = np.cumsum(steps), np.array(values)
    found = buckets(trace(time_s, value), float(time_s[0]), float(time_s[-1]) + 1.0, maximum)
    there = value[np.isfinite(value)]
    assert found.count.sum() == len(there)
    if len(there):
        assert found.low.min() == there.min()
        assert found.high.max() == there.max()
        edges = np.floor((time_s - time_s[0]) * (maximum / (time_s[-1] + 1.0 - time_s[0])))
        for edge in np.unique(edges[np.isfinite(value)]):  # every bucket by itself, straightforwardly
            mine = value[(edges == edge) & np.isfinite(value)]
            own = np.floor((found.time_s - time_s[0]) * (maximum / (time_s[-1] + 1.0 - time_s[0]))) == edge
            assert found.low[own].min() == mine.min()
            assert found.high[own].max() == mine.max()
    times, points, _ = line_points(found)
    assert set(points) <= set(there)
    assert (np.diff(times) >= 0).all()


def test_what_a_value_stands_for_is_drawn_to_its_ends_and_the_axis_holds_it() -> None:
    times, hour = np.arange(48.0) * 3600.0, 3600.0
    low, high = np.full(48, 60.0), np.full(48, 60.0)
    low[5], high[30] = 41.0, 97.0
    line = Trace("s1", "x", times, np.full(48, 60.0), np.full(48, 2.0), hour, (low, high))
    found = buckets(line, 0.0, 48 * hour, 12)
    assert (found.low.min(), found.high.max(), set(found.mean)) == (41.0, 97.0, {60.0})
    time_s, value, _ = line_points(found)
    assert {(5 * hour, 41.0), (30 * hour, 97.0)} <= set(zip(time_s.tolist(), value.tolist(), strict=True))
    axis = value_axis(Chart("", "", "%", Window(0.0, 48 * hour, ZoneInfo("UTC")), (line,)), 6)
    assert axis.low <= 39.0
    assert axis.high >= 99.0


def test_a_gap_cuts_the_line_and_is_told() -> None:
    time_s = np.r_[np.arange(0.0, 6000.0, 600), np.arange(30_000.0, 36_000.0, 600)]
    line = trace(time_s, np.full(len(time_s), 80.0))
    found = buckets(line, 0.0, 36_000.0, 10)
    assert set(found.run) == {0, 1}
    assert gaps(line, 0.0, 36_000.0) == [(5400.0, 30_000.0)]


def test_two_lost_messages_are_no_gap() -> None:
    time_s = np.delete(np.arange(0.0, 6000.0, 600), [4, 5])
    assert gaps(trace(time_s, np.full(len(time_s), 80.0)), 0.0, 6000.0) == []


def test_a_line_runs_in_from_outside_of_the_window() -> None:
    time_s = np.arange(0.0, 60_000.0, 600)
    found = buckets(trace(time_s, time_s), 20_100.0, 20_500.0, 100)
    assert found.low.tolist() == [19_800.0, 20_400.0, 21_000.0]


# --- the drawing -------------------------------------------------------------------------------------------------


def full_chart(days: float = 20.0) -> Chart:
    start = datetime(2026, 10, 20, tzinfo=LONDON).timestamp()
    time_s = start + 600.0 * np.arange(int(days * 144))
    course = 93 - 15 * (1 - np.exp(-np.arange(len(time_s)) / 900))
    course[300:400] = np.nan
    return Chart(
        title="Relative humidity",
        description='A cavity & "its" room <5 % apart',
        unit="%",
        window=Window(float(time_s[0]), float(time_s[-1]), LONDON),
        traces=(
            trace(time_s, course, uncertainty=np.full(len(time_s), 2.0)),
            Trace("s2", "room <air>", time_s, 50 + 4 * np.sin(time_s / 13_750)),
        ),
        levels=(Level(70.0, "goal 70"), Level(90.0, "caution 90", "caution"), Level(60.0, "", "zero")),
        points=(Point(float(time_s[900]), 81.0, 4.0),),
        markers=(Marker(float(time_s[600]), "A", "moved"),),
        outs=(Out(float(time_s[500]), float(time_s[600])),),
    )


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=lambda s: s.name)
def test_a_drawing_is_well_formed_described_and_without_colour_or_style(size: object) -> None:
    text = draw(full_chart(), size)  # type: ignore[arg-type]
    root = ET.fromstring(text)
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'A cavity & "its" room <5 % apart'
    attributes = {name for item in root.iter() for name in item.attrib}
    assert attributes.isdisjoint({"style", "fill", "stroke", "onclick"})
    assert {item.get("class") for item in root.iter()} >= {
        "grid",
        "band s1",
        "line s1",
        "line s2",
        "goal",
        "goal-word",
        "caution",
        "caution-word",
        "zero",
        "spot",
        "bar",
        "note",
        "flag",
        "out",
    }


@pytest.mark.parametrize("size", [WIDE, NARROW])
def test_the_axis_says_its_unit_above_the_plot(size: Size) -> None:
    drawn = draw(full_chart(), size)
    assert f'<text class="unit" x="2" y="{size.top - 12}">%</text>' in drawn


def test_a_drawing_of_three_weeks_costs_few_bytes() -> None:
    assert len(draw(full_chart(), WIDE)) < 40_000


def test_a_value_stands_at_its_height_on_the_drawing() -> None:
    shown = Window(0.0, 1000.0, LONDON)
    chart = Chart("", "", "%", shown, (trace(np.array([0.0, 1000.0]), np.array([40.0, 100.0]), interval_s=1000.0),))
    root = ET.fromstring(draw(chart, WIDE))
    line = next(item for item in root.iter() if item.get("class") == "line s1")
    # the axis runs from 40 to 100, so the line runs from the lower left corner to the upper right one
    assert line.get("d") == f"M{WIDE.left}.0 {WIDE.height - WIDE.bottom}.0L{WIDE.width - WIDE.right}.0 {WIDE.top}.0"


def test_what_was_measured_by_hand_stands_at_its_value_with_a_bar_as_long_as_its_uncertainty() -> None:
    shown = Window(0.0, 1000.0, LONDON)
    line = trace(np.array([0.0, 1000.0]), np.array([10.0, 30.0]), interval_s=1000.0)
    chart = Chart("", "", "%", shown, (line,), points=(Point(500.0, 20.0, 4.0),))
    root = ET.fromstring(draw(chart, WIDE))
    ring = next(item for item in root.iter() if item.get("class") == "spot")
    bar = next(item for item in root.iter() if item.get("class") == "bar")
    top, bottom = WIDE.top, WIDE.height - WIDE.bottom  # 30 and 10
    assert float(ring.get("cx", "")) == pytest.approx(WIDE.left + WIDE.plot_width / 2, abs=0.1)
    assert float(ring.get("cy", "")) == pytest.approx((top + bottom) / 2, abs=0.1)
    first, second = (float(part) for part in bar.get("d", "").split("M")[1].split(" ")[1].split("V"))
    assert second - first == pytest.approx(8.0 / 20.0 * (bottom - top), abs=0.2)


def test_the_axis_reaches_what_was_measured_by_hand_and_only_inside_the_window() -> None:
    shown = Window(0.0, 1000.0, LONDON)
    line = trace(np.array([0.0, 1000.0]), np.array([10.0, 12.0]), interval_s=1000.0)
    inside = value_axis(Chart("", "", "%", shown, (line,), points=(Point(500.0, 27.0, 4.0),)), 6)
    outside = value_axis(Chart("", "", "%", shown, (line,), points=(Point(5000.0, 27.0, 4.0),)), 6)
    assert inside.high >= 31.0
    assert outside.high <= 12.5


def test_a_space_is_shaded_only_on_the_side_that_has_a_class() -> None:
    time_s, shown = np.arange(0.0, 6001.0, 600), Window(0.0, 6001.0, LONDON)
    lines = (trace(time_s, np.linspace(12, 8, 11)), trace(time_s, np.full(11, 10.0)))
    wet = draw(Chart("", "", "°C", shown, lines, shades=(Shade(0, 1, below="wet"),)), WIDE)
    both = draw(Chart("", "", "°C", shown, lines, shades=(Shade(0, 1, above="near", below="wet"),)), WIDE)
    assert (wet.count('class="near"'), wet.count('class="wet"')) == (0, 1)
    assert (both.count('class="near"'), both.count('class="wet"')) == (1, 1)


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=lambda s: s.name)
def test_words_of_two_close_levels_do_not_stand_on_each_other(size: Size) -> None:
    shown = Window(0.0, 1000.0, LONDON)
    line = trace(np.array([0.0, 500.0, 1000.0]), np.array([30.0, 14.0, 15.0]), interval_s=1000.0)
    levels = (Level(20.0, "caution 20", "caution"), Level(18.0, "goal 18"))
    root = ET.fromstring(draw(Chart("", "", "%", shown, (line,), levels=levels), size))
    words = [item for item in root.iter() if str(item.get("class")).endswith("-word")]
    heights = sorted(float(item.get("y", "")) for item in words)
    assert len(heights) == 2
    assert heights[1] - heights[0] >= 13.0  # the height of the text


def test_a_chart_without_readings_says_so() -> None:
    shown = Window(0.0, 1000.0, LONDON)
    chart = Chart("", "nothing", "%", shown, (trace(np.empty(0), np.empty(0)),), floor=0.0, min_span=10.0)
    assert "No readings in this time" in draw(chart, NARROW)


def test_the_space_between_two_lines_is_cut_where_they_cross() -> None:
    time_s = np.arange(0.0, 6001.0, 600)
    surface = buckets(trace(time_s, np.linspace(12, 8, 11)), 0.0, 6001.0, 20)
    dew = buckets(trace(time_s, np.full(11, 10.0)), 0.0, 6001.0, 20)
    pieces = list(shaded(surface, dew))
    assert [above for above, _ in pieces] == [True, False]
    (_, (wet_s, _)) = pieces[1]
    assert wet_s[0] == pytest.approx(3000.0)  # 12 to 8 passes 10 halfway
    areas = [0.5 * abs(float(np.trapezoid(v, t))) * 2 for _, (t, v) in pieces]
    assert areas == pytest.approx([3000.0, 3000.0])  # two triangles, 2 K by 3000 s each


@given(st.lists(st.floats(20, 280), min_size=2, max_size=3))
def test_names_stand_inside_the_plot_and_not_on_each_other(heights: list[float]) -> None:
    x, plot = np.linspace(44, 748, 350), Box(44, 14, 748, 300)
    ribbons = [Ribbon(x, np.full(350, h - 8), np.full(350, h + 8)) for h in heights]
    names = ["cavity", "room air", "outdoors"][: len(heights)]
    spots = name_positions(names, ribbons, plot, [])
    boxes = [text_box(*spot, name) for spot, name in zip(spots, names, strict=True)]
    assert all(box.left >= plot.left and box.right <= plot.right for box in boxes)
    assert all(a.overlap(b) == 0 for i, a in enumerate(boxes) for b in boxes[:i])


def test_a_probe_slower_than_it_was_said_to_be_has_no_gap_after_each_value() -> None:
    time_s = np.arange(0.0, 86_400.0, 3600.0)
    slow = trace(time_s, np.full(24, 80.0), interval_s=600.0)
    assert gaps(slow, 0.0, 86_400.0) == []
    assert set(buckets(slow, 0.0, 86_400.0, 100).run) == {0}


def test_nothing_is_shaded_over_a_gap_of_either_line_and_many_gaps_cost_little() -> None:
    time_s = np.arange(0.0, 600.0 * 20_000, 600.0)
    holes = np.where(np.arange(20_000) % 50 < 5, np.nan, 12.0)
    shown = (0.0, float(time_s[-1]) + 1.0)
    surface = buckets(trace(time_s, np.full(20_000, 13.0)), *shown, 20_000)
    dew = buckets(trace(time_s, holes), *shown, 20_000)
    pieces = list(shaded(surface, dew))
    assert len(pieces) == 400
    covered = sum(float(t.max() - t.min()) for _, (t, _) in pieces)
    assert covered == pytest.approx(400 * 44 * 600.0)


def test_a_crossing_exactly_at_a_reading_is_one_crossing() -> None:
    time_s = np.arange(0.0, 3000.0, 600.0)
    surface = buckets(trace(time_s, np.array([12.0, 11.0, 10.0, 9.0, 8.0])), 0.0, 3001.0, 10)
    dew = buckets(trace(time_s, np.full(5, 10.0)), 0.0, 3001.0, 10)
    assert [above for above, _ in shaded(surface, dew)] == [True, False]
