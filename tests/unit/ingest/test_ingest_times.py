"""Times on the wire, against the examples of RFC 3339."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.errors import DecodeError
from monitord.ingest.decoding.times import from_unix, parse_rfc3339


@pytest.mark.parametrize(
    ("text", "posix"),
    [
        # RFC 3339 section 5.8; the POSIX times by `date -u -d`
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        # the two leap seconds of the same section name one moment; POSIX counts it as the next day's first second
        ("1990-12-31T23:59:60Z", 662688000.0),
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        # section 5.6: small letters are allowed; -00:00 is UTC of an unknown place
        ("1985-04-12t23:20:50.52z", 482196050.52),
        ("1985-04-12t23:20:50.52Z", 482196050.52),
        ("1990-12-31t23:59:60z", 662688000.0),
        ("1985-04-12T23:20:50-00:00", 482196050.0),
    ],
)
def test_examples_of_rfc_3339_are_read(text: str, posix: float) -> None:
    assert parse_rfc3339(text).timestamp() == pytest.approx(posix, abs=1e-6)
    assert parse_rfc3339(text).tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        "1985-04-12T23:20:50",  # no offset: Python's own parser takes it
        "1985-04-12",
        "1985-04-12 23:20:50Z",  # a blank is allowed to applications that agree on it (5.6); we ask for T
        "19850412T232050Z",  # ISO 8601 basic form, not RFC 3339
        "1985-W15-5T23:20:50Z",
        "1985-04-12T23:20Z",
        "1985-04-12T23:20:50+0100",
        "1985-04-31T00:00:00Z",  # no such day
        "1985-04-12T24:00:00Z",
        "1985-04-12T12:00:60Z",  # a leap second comes only at the end of a UTC month
        "1990-12-31T23:59:60+01:00",
        "0000-01-01T00:00:00Z",  # before Python's first year
        "0001-01-01T00:00:00+10:00",
        "9999-12-31T23:59:60Z",
        "٢٠٢٥-03-01T10:00:00Z",  # digits, but not ASCII
        "482196050",
        "",
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(DecodeError) as caught:
        parse_rfc3339(text)
    assert caught.value.code == "bad_time"


_OFFSETS = st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@given(
    st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29), timezones=_OFFSETS)  # noqa: DTZ001 (the strategy adds one)
)
def test_what_python_writes_with_an_offset_is_read_back(moment: datetime) -> None:
    assert parse_rfc3339(moment.isoformat()) == moment


def test_numbers_of_seconds_and_milliseconds_are_read() -> None:
    # RFC 8949 appendix A: epoch 1363896240 is 2013-03-21T20:04:00Z
    assert from_unix(1363896240) == datetime(2013, 3, 21, 20, 4, tzinfo=UTC)
    assert from_unix(1363896240_500, 1000) == datetime(2013, 3, 21, 20, 4, 0, 500_000, tzinfo=UTC)


@pytest.mark.parametrize("number", [1e300, -1e300, 253402300800.0])  # the last is the first second of the year 10000
def test_numbers_outside_the_calendar_are_refused(number: float) -> None:
    with pytest.raises(DecodeError, match="not a time"):
        from_unix(number)
