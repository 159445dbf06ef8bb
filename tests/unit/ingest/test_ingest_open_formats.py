"""Open radio formats, each against the examples that its own specification prints."""

from __future__ import annotations

import base64
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.ingest.decoding.open_formats import FORMATS, MAX_TEXT, decode


def test_bthome_example_of_its_specification() -> None:
    # bthome.io/format: 4002C40903BF13 is 25.00 °C and 50.55 %; the whole advertisement of the same page
    expected = {"temperature": 25.0, "humidity": 50.55}
    for text in ("4002C40903BF13", "D2FC4002C40903BF13", "020106 0B094449592D73656E736F72 0A16D2FC4002C40903BF13"):
        assert decode("bthome-v2", text) == expected
    assert decode("bthome-v2", base64.b64encode(bytes.fromhex("4002C40903BF13")).decode()) == expected


@pytest.mark.parametrize(
    ("data", "name", "value"),
    [
        # bthome.io/format, "Sensor data", column Example and Result
        ("0161", "battery", 97),
        ("08CA06", "dewpoint", 17.38),
        ("03BF13", "humidity", 50.55),
        ("2E23", "humidity", 35),
        ("04138A01", "pressure", 1008.83),
        ("45110 1".replace(" ", ""), "temperature", 27.3),
        ("02CA09", "temperature", 25.06),
        ("0C020C", "voltage", 3.074),
        ("4A020C", "voltage", 307.4),
    ],
)
def test_bthome_objects(data: str, name: str, value: float) -> None:
    assert decode("bthome-v2", "40" + data)[name] == pytest.approx(value)
    # an object that is stepped over (0x12, CO2) keeps its neighbours in place
    assert decode("bthome-v2", "40" + data + "12E204" + "2E23")[name] == pytest.approx(value)


def test_bthome_encrypted_or_of_another_version_is_refused_with_a_word() -> None:
    with pytest.raises(ValueError, match="encrypted"):
        decode("bthome-v2", "4102C409")
    with pytest.raises(ValueError, match="not BTHome version 2"):
        decode("bthome-v2", "2002C409")


def test_tag_format_rawv2_test_vectors() -> None:
    # docs.ruuvi.com, "Data format 5 (RAWv2)", test vectors: valid data, maximum, minimum and invalid values
    valid = decode("ruuvi", "0512FC5394C37C0004FFFC040CAC364200CDCBB8334C884F")
    assert valid == {
        "temperature": 24.3,
        "humidity": 53.49,
        "pressure": 100_044,
        "voltage": 2.977,
        "sequence": 205,
        "mac": "cbb8334c884f",
    }
    highest = decode("ruuvi", "057FFFFFFEFFFE7FFF7FFF7FFFFFDEFEFFFECBB8334C884F")
    assert (highest["temperature"], highest["humidity"], highest["pressure"], highest["voltage"]) == (
        163.835,
        163.835,
        115_534,
        3.646,
    )
    lowest = decode("ruuvi", "058001000000008001800180010000000000CBB8334C884F")
    assert (lowest["temperature"], lowest["humidity"], lowest["pressure"], lowest["voltage"]) == (
        -163.835,
        0.0,
        50_000,
        1.6,
    )
    invalid = decode("ruuvi", "058000FFFFFFFF800080008000FFFFFFFFFFFFFFFFFFFFFF")
    assert set(invalid.values()) == {None}


def test_tag_format_rawv1_test_vectors() -> None:
    # docs.ruuvi.com, "Data format 3 (RAWv1)", test vectors, and its examples of temperatures: 0x8145 is -1.69 °C
    valid = decode("ruuvi", "03291A1ECE1EFC18F94202CA0B53")
    assert valid == pytest.approx({"temperature": 26.3, "humidity": 20.5, "pressure": 102_766, "voltage": 2.899})
    highest = decode("ruuvi", "03FF7F63FFFF7FFF7FFF7FFFFFFF")
    assert highest == pytest.approx({"temperature": 127.99, "humidity": 127.5, "pressure": 115_535, "voltage": 65.535})
    lowest = decode("ruuvi", "0300FF6300008001800180010000")
    assert lowest == pytest.approx({"temperature": -127.99, "humidity": 0.0, "pressure": 50_000, "voltage": 0.0})
    assert decode("ruuvi", "0300814500008001800180010000")["temperature"] == pytest.approx(-1.69)


def test_a_whole_advertisement_of_a_tag_is_read() -> None:
    # the same vector behind flags, length, type and company id (Bluetooth Core Specification, supplement, part A)
    packet = "02010 61BFF9904".replace(" ", "") + "0512FC5394C37C0004FFFC040CAC364200CDCBB8334C884F"
    assert decode("ruuvi", packet)["temperature"] == 24.3


def test_cayenne_lpp_examples() -> None:
    # github.com/myDevicesIoT/CayenneLPP, README: two temperature sensors, 27.2 and 25.5 °C
    two = decode("cayenne-lpp", "03 67 01 10 05 67 00 FF")
    assert two == {"temperature_3": 27.2, "temperature": 27.2, "temperature_5": 25.5}
    # the same page: temperature -4.1 °C, and an accelerometer of 1.234, -1.234 and 0 g that is stepped over
    cold = decode("cayenne-lpp", "01 67 FF D7 06 71 04 D2 FB 2E 00 00 02 68 3C")
    assert (cold["temperature_1"], cold["humidity_2"]) == (-4.1, 30.0)
    assert decode("cayenne-lpp", base64.b64encode(bytes.fromhex("036701100567 00FF".replace(" ", ""))).decode()) == two


@pytest.mark.parametrize("text", ["", "xyz!", "0367", "ab" * MAX_TEXT, "03FF00"])
def test_what_is_no_packet_is_a_value_error(text: str) -> None:
    for name in FORMATS:
        if name == "cayenne-lpp" and not text:
            continue
        with pytest.raises(ValueError, match=r"."):
            decode(name, text)


@given(st.sampled_from(sorted(FORMATS)), st.binary(max_size=60))
def test_no_bytes_raise_anything_else(name: str, data: bytes) -> None:
    for text in (data.hex(), base64.b64encode(data).decode(), data.decode("latin-1")):
        with suppress(ValueError):
            decode(name, text)
