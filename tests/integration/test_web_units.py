"""Pages and downloads in the units of the United States: the same numbers, read otherwise; the store stays SI.

Factors are those of NIST Special Publication 811 (2008), appendix B.8: t/°F = 1.8 t/°C + 32; 1 inHg = 3386.389 Pa;
1 g/kg = 7 gr/lb.
"""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psychrolib
import pytest
import web_support as support
from starlette.testclient import TestClient

from monitord.model.units import Units

psychrolib.SetUnitSystem(psychrolib.SI)
PRESSURE_PA = psychrolib.GetStandardAtmPressure(40.0)  # Mill Lane lies 40 m high
BED = "/jobs/mill-lane-4/locations/bed"


@pytest.fixture(scope="module")
def clients(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, TestClient]]:
    """Of one store: metric pages and US pages."""
    folder: Path = tmp_path_factory.mktemp("units")
    site = support.mill_lane(folder)
    web = site.settings.web.model_copy(update={"units": Units.US})
    other = replace(site, settings=site.settings.model_copy(update={"web": web}))
    yield site.client(), other.client()
    site.db.close()


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_a_download_names_its_units_in_the_header(clients: tuple[TestClient, TestClient]) -> None:
    metric, us = (rows(client.get(f"{BED}/readings.csv").text) for client in clients)
    assert len(us) == len(metric) > 100
    assert list(us[0])[3:] == [
        "temperature_raw_f",
        "relative_humidity_raw_pct",
        "surface_temperature_raw_f",
        "battery_v",
        "battery_pct",
        "temperature_f",
        "relative_humidity_pct",
        "vapour_pressure_inhg",
        "dew_point_f",
        "humidity_ratio_gr_lb",
        "wet_bulb_f",
    ]
    for read, si in zip(us[:50], metric[:50], strict=True):
        assert float(read["temperature_f"]) == pytest.approx(32.0 + 1.8 * float(si["temperature_c"]), abs=0.002)
        assert float(read["dew_point_f"]) == pytest.approx(32.0 + 1.8 * float(si["dew_point_c"]), abs=0.01)
        assert float(read["vapour_pressure_inhg"]) == pytest.approx(
            float(si["vapour_pressure_pa"]) / 3386.389, abs=2e-5
        )
        assert float(read["humidity_ratio_gr_lb"]) == pytest.approx(7.0 * float(si["humidity_ratio_g_kg"]), abs=0.009)
        assert read["relative_humidity_raw_pct"] == si["relative_humidity_raw_pct"]
        # the reference implementation, to the rounding of the columns (0.001 K and 0.001 % RH are 0.001 K of wet bulb)
        t, rh = float(si["temperature_c"]), float(si["relative_humidity_pct"]) / 100.0
        bulb = psychrolib.GetTWetBulbFromRelHum(t, rh, PRESSURE_PA)
        assert float(si["wet_bulb_c"]) == pytest.approx(bulb, abs=0.01)
        assert float(read["wet_bulb_f"]) == pytest.approx(32.0 + 1.8 * float(si["wet_bulb_c"]), abs=0.01)
        assert read["battery_v"] == si["battery_v"]


def test_a_download_can_ask_for_other_units_than_the_pages(clients: tuple[TestClient, TestClient]) -> None:
    metric, us = clients
    assert us.get(f"{BED}/readings.csv?units=metric").text == metric.get(f"{BED}/readings.csv").text
    assert metric.get(f"{BED}/readings.csv?units=us").text == us.get(f"{BED}/readings.csv").text
    assert metric.get(f"{BED}/readings.csv?units=furlong").status_code == 422


def test_json_is_si_unless_asked_for_by_a_page(clients: tuple[TestClient, TestClient]) -> None:
    _, us = clients
    address = "/api/jobs/mill-lane-4/series?trace=bed:vapour_pressure&trace=bed:temperature"
    pressure, temperature = us.get(address).json()["traces"]
    assert (pressure["unit"], temperature["unit"]) == ("Pa", "°C")
    read, warmth = us.get(f"{address}&units=us").json()["traces"]
    assert (read["unit"], read["decimals"], warmth["unit"]) == ("inHg", 3, "°F")
    assert read["mean"] == pytest.approx([value / 3386.389 for value in pressure["mean"]], abs=1e-4)
    assert read["u"][0] == pytest.approx(pressure["u"][0] / 3386.389, abs=1e-4)
    assert warmth["mean"] == pytest.approx([32.0 + 1.8 * value for value in temperature["mean"]], abs=2e-3)
    assert warmth["u"][0] == pytest.approx(1.8 * temperature["u"][0], abs=2e-3)


SI = re.compile(r"\d\s?(°C|K|Pa|kPa|g/kg|mm)(?![\w/])")
"""A number in a unit that readers of US units should not meet."""


def shown(client: TestClient, address: str) -> str:
    """What a page says: its text, and what its drawings are called."""
    answer = client.get(address)
    assert answer.status_code == 200
    text = re.sub(r"<(script|style).*?</\1>", " ", answer.text, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]*?(?:aria-label=\"([^\"]*)\")?[^>]*>", r" \1 ", text))


@pytest.mark.parametrize(
    "address",
    [
        "/",
        "/jobs/mill-lane-4",
        "/jobs/mill-lane-4?loc=hall",
        *(f"/jobs/mill-lane-4/locations/{at}" for at in ("bed", "utility", "hall", "bath", "sleeve", "reveal", "yard")),
        "/probes",
        "/alerts",
    ],
)
def test_no_page_in_us_units_shows_another(clients: tuple[TestClient, TestClient], address: str) -> None:
    metric, us = clients
    assert SI.search(shown(metric, address)) is not None or address in {"/", "/alerts"}, "a page without numbers"
    said = shown(us, address)
    found = [said[max(0, match.start() - 60) : match.end() + 10] for match in SI.finditer(said)]
    assert found == []


def test_a_page_shows_the_same_air_in_either(clients: tuple[TestClient, TestClient]) -> None:
    metric, us = (shown(client, BED) for client in clients)
    celsius = re.search(r"Temperature\s+(-?[\d.]+)\s±\s([\d.]+)\s°C", metric)
    fahrenheit = re.search(r"Temperature\s+(-?[\d.]+)\s±\s([\d.]+)\s°F", us)
    assert celsius is not None
    assert fahrenheit is not None
    # each is rounded to 0.1
    assert float(fahrenheit[1]) == pytest.approx(32.0 + 1.8 * float(celsius[1]), abs=0.15)
    assert float(fahrenheit[2]) == pytest.approx(1.8 * float(celsius[2]), abs=0.15)
