"""Numbers, chances, spans and times as people read them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from monitord.model.quantity import Quantity
from monitord.text import times
from monitord.text.catalogue import language
from monitord.text.formats import TIE, amount, bare, chance, chance_word, span

EN, DE = language("en"), language("de")
LONDON = ZoneInfo("Europe/London")
NOW = datetime(2026, 11, 24, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown"),
    [
        (89.23, 1.1, "% RH", "89 ± 2 % RH"),
        (503.0, 35.0, "Pa", "500 ± 70 Pa"),
        (22.437, 0.4, "% MC", "22.4 ± 0.8 % MC"),
        (22.437, 0.06, "% MC", "22.44 ± 0.12 % MC"),  # two digits where the uncertainty begins with 1
        (22.437, 0.099, "°C", "22.4 ± 0.2 °C"),
        (1710.0, 40.0, "Pa", "1.71 ± 0.08 kPa"),
        (0.0049, 0.0021, "% RH/day", "0.005 ± 0.004 % RH"),  # never "± 0.00"
        (99.6, 4.9, "% RH", "100 ± 10 % RH"),  # 9.8 rounds to ten, which begins with 1
        (-0.04, 0.25, "K", "0.0 ± 0.5 K"),
        (-0.5, 0.42, "K", "−0.5 ± 0.8 K"),
        (2.437, None, "V", "2.44 V"),
        (0.62, 0.0, "", "0.6"),
    ],
)
def test_a_value_is_given_to_the_place_of_its_uncertainty(value: float, u: float | None, unit: str, shown: str) -> None:
    """JCGM 100:2008, 7.2.6: one or two significant digits of uncertainty (k = 2); the estimate rounded to match."""
    assert amount(Quantity(value=value, u=u, unit=unit), EN).replace(TIE, " ") == shown


def test_a_number_has_the_decimal_sign_of_the_language() -> None:
    assert amount(Quantity(value=22.437, u=0.4, unit="°C"), DE).replace(TIE, " ") == "22,4 ± 0,8 °C"
    assert bare(2.5, "V", DE).replace(TIE, " ") == "2,5 V"
    assert bare(0.3, "1", EN).replace(TIE, " ") == "30 %"


@pytest.mark.parametrize(
    ("p", "number", "word"),
    [
        (1.0, "> 99 %", "very likely"),
        (0.9, "90 %", "very likely"),
        (0.894, "89 %", "likely"),
        (0.6, "60 %", "likely"),
        (0.5, "50 %", "about even"),
        (0.39, "39 %", "possible"),
        (0.1, "10 %", "possible"),
        (0.09, "9 %", "unlikely"),
        (0.0, "< 1 %", "unlikely"),
    ],
)
def test_a_chance_has_a_word_and_never_claims_certainty(p: float, number: str, word: str) -> None:
    assert (chance(p).replace(TIE, " "), chance_word(p, EN)) == (number, word)


@pytest.mark.parametrize(
    ("seconds", "shown"), [(45, "45 s"), (600, "10 min"), (5400, "2 h"), (90_000, "25 h"), (259_200, "3 days")]
)
def test_a_span_is_rounded_to_what_matters(seconds: float, shown: str) -> None:
    assert span(seconds, EN).replace(TIE, " ") == shown


def test_a_time_has_day_time_and_zone_of_the_job_and_the_year_if_not_this_one() -> None:
    at = datetime(2026, 1, 20, 18, 57, tzinfo=UTC)

    def said(at: datetime, zone: ZoneInfo = LONDON) -> str:
        return times.moment(at, NOW, zone, EN).replace(TIE, " ")

    assert said(at) == "Tue 20 Jan 18:57 GMT"
    assert said(at + timedelta(days=200)) == "Sat 8 Aug 19:57 BST"
    assert said(at - timedelta(days=365)) == "Mon 20 Jan 2025 18:57 GMT"
    assert said(at, ZoneInfo("Asia/Kathmandu")) == "Wed 21 Jan 00:42 UTC+5:45"
    assert times.moment(at, NOW, LONDON, DE).replace(TIE, " ") == "Di 20. Jan. 18:57 GMT"


def test_a_window_within_a_day_names_the_day_once() -> None:
    start = datetime(2026, 1, 20, 3, tzinfo=UTC)
    short = times.window(start, start + timedelta(hours=3), NOW, LONDON, EN).replace(TIE, " ")
    assert short == "Tue 20 Jan 03:00 to 06:00 GMT"
    assert times.window(start, None, NOW, LONDON, EN).replace(TIE, " ") == "from Tue 20 Jan 03:00 GMT"


def test_a_range_of_dates_names_the_month_once() -> None:
    first = datetime(2026, 12, 1, 12, tzinfo=UTC)
    said = [times.days(first, first + timedelta(days=n), NOW, LONDON, EN).replace(TIE, " ") for n in (0, 5, 40)]
    assert said == ["about 1 Dec", "1 to 6 Dec", "1 Dec to 10 Jan 2027"]
