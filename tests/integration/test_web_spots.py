"""Rounds of spot readings on every scale: what is asked, refused, kept and shown."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
import web_support as support

from monitord.model.site.spots import SpotGoal, SpotKind
from monitord.model.units import Units
from monitord.store.jobs import apply_job
from monitord.web.routes.on_site.spot_routes import METHODS

JOB = "mill-lane-4"
PATH = f"/jobs/{JOB}/round"


def test_there_is_a_way_to_measure_each_kind() -> None:
    assert {method.kind for method in METHODS.values()} == set(SpotKind)


@pytest.mark.parametrize("name", list(METHODS))
def test_a_value_is_kept_shown_and_stands_beside_the_next_round(site: support.Site, name: str) -> None:
    method, client = METHODS[name], site.client()
    value = (method.low + method.high) / 2
    page = client.get(f"{PATH}?method={name}").text
    assert ('name="v-living-air"' in page) == (name == "rh"), "in air only humidity is measured"
    assert ('name="depth"' in page) == method.has_depth
    data = {"method": name, "instrument": "no. 3", "v-utility": f"{value:g}", "depth": "20"}
    answer = client.post(PATH, data=data)
    assert "Saved: 1 reading" in answer.text
    (spot,) = site.job().spots
    assert (spot.kind, spot.value, spot.instrument, spot.by) == (method.kind, value, "no. 3", "Test owner")
    assert spot.depth_mm == (20.0 if method.has_depth else None)
    shown = f"{value:.1f}\u00a0{method.unit}".replace("%\u00a0", "% ")
    assert shown.replace("\u00a0", " ") in client.get(f"{PATH}?method={name}").text.replace("\u00a0", " ")
    assert shown.replace("\u00a0", " ") in client.get(f"/jobs/{JOB}/locations/utility").text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("name", "typed", "why"),
    [
        ("wme", {"v-utility": "101"}, "101 % WME is outside 5 to 100 % WME. Did you mean 10.1? Not saved."),
        ("plaster", {"v-utility": "61"}, "61 % plaster is outside 0 to 60 % plaster. Did you mean 6.1?"),
        ("concrete", {"v-utility": "45"}, "45 % concrete is outside 0 to 10 % concrete. Did you mean 4.5?"),
        ("rh", {"v-utility": "-3"}, "-3 % RH is outside 0 to 100 % RH. Not saved."),
        ("pins", {"v-utility": "20", "depth": "0"}, "0 mm is not between 0.1 and 2000 mm"),
        ("pins", {"v-utility": "20", "species": "softwood"}, "Give both, or neither"),
        ("pins", {"v-utility": "20", "wood_temperature": "8"}, "Give both, or neither"),
        ("pins", {"v-utility": "20", "species": "x", "wood_temperature": "80"}, "80 °C is not between -20 and 60 °C"),
        ("pins", {"v-utility": "wet"}, "“wet” is not a number"),
    ],
)
def test_what_is_impossible_is_refused_with_the_reason(
    site: support.Site, name: str, typed: dict[str, str], why: str
) -> None:
    answer = site.client().post(PATH, data={"method": name} | typed)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job().spots == ()


def test_species_and_temperature_that_the_meter_was_set_to_are_kept(site: support.Site) -> None:
    data = {"method": "pins", "v-utility": "20", "species": "softwood", "wood_temperature": "8,5"}
    site.client().post(PATH, data=data)
    assert site.job().spots[0].corrected_for == "softwood, 8.5 °C"


def test_the_control_comes_first_and_a_goal_by_spot_readings_says_how_it_stands(site: support.Site) -> None:
    goal = SpotGoal(kind=SpotKind.PLASTER, limit=0.5, control="bed")
    places = [
        place.model_copy(update={"spot_goal": goal}) if place.id == "utility" else place
        for place in support.MILL_LANE.locations
    ]
    with site.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"locations": tuple(places)}))
    client = site.client()
    page = client.get(f"{PATH}?method=plaster").text
    assert re.findall(r'name="v-([^"]+)"', page)[0] == "bed"
    assert "goal 0.5 % plaster over the control" in page
    where = f"/jobs/{JOB}/locations/utility"
    assert "Their goal: not measured yet." in client.get(where).text
    client.post(PATH, data={"method": "plaster", "instrument": "a", "v-bed": "0.4", "v-utility": "1.3"})
    assert "Their goal: not met, 1.3\u00a0% plaster, control 0.4\u00a0% plaster." in client.get(where).text
    site.clock.at += timedelta(days=2)
    client.post(PATH, data={"method": "plaster", "instrument": "a", "v-utility": "0.8"})
    assert "Their goal: its control not measured within a day of it." in client.get(where).text
    client.post(PATH, data={"method": "plaster", "instrument": "a", "v-bed": "0.4"})
    assert "Their goal: met, 0.8\u00a0% plaster, control 0.4\u00a0% plaster." in client.get(where).text


def test_a_humidity_by_hand_stands_on_the_chart_of_humidity(site: support.Site) -> None:
    site.put(support.readings_of(support.MILL_LANE.probes[0], step_s=3600.0))
    where = f"/jobs/{JOB}/locations/{support.MILL_LANE.probes[0].location_id}"
    assert "Rings: spot readings" not in site.client().get(where).text
    site.client().post(PATH, data={"method": "rh", f"v-{support.MILL_LANE.probes[0].location_id}": "66"})
    page = site.client().get(where).text
    assert "Rings: spot readings" in page
    assert "66" in re.findall(r"Spot readings: [^<]*", page)[0]


# --- units of the United States: typed and read in them, stored in SI (NIST SP 811, B.8: 1 in = 25.4 mm) ------------


@pytest.fixture
def us_site(site: support.Site) -> support.Site:
    web = site.settings.web.model_copy(update={"units": Units.US})
    site.settings = site.settings.model_copy(update={"web": web})
    return site


def test_depths_and_temperatures_of_a_round_are_typed_in_inches_and_fahrenheit(us_site: support.Site) -> None:
    client = us_site.client()
    page = client.get(f"{PATH}?method=pins").text
    assert "Depth of the tips (in), if" in page
    assert "Wood, °F" in page
    data = {"method": "pins", "v-utility": "20", "depth": "0.5", "species": "softwood", "wood_temperature": "59"}
    assert "Saved: 1 reading" in client.post(PATH, data=data).text
    assert "79 in is not between 0.003937 and 78.74 in" in client.post(PATH, data=data | {"depth": "79"}).text
    answer = client.post(PATH, data={"method": "surface", "v-utility": "50"}).text
    assert "50.0 °F" in answer.replace("\u00a0", " ")
    refused = client.post(PATH, data={"method": "surface", "v-utility": "600"}).text
    assert "600 °F is outside -22 to 158 °F. Did you mean 60? Not saved." in refused
    pins, surface = us_site.job().spots
    assert (pins.depth_mm, pins.corrected_for) == (pytest.approx(12.7), "softwood, 15 °C")
    assert surface.value == pytest.approx(10.0)


def test_a_sleeve_is_placed_in_inches(us_site: support.Site) -> None:
    client, path = us_site.client(), f"/jobs/{JOB}/place"
    form = {"probe": "K7-78", "place": "new", "name": "Slab by the door", "kind": "slab_sleeve", "time": "now"}
    form |= {"thickness": "4", "depth": "1.6", "sides": "1", "electricity": "1", "asbestos": "1"}
    page = client.get(path).text
    assert "Slab, in" in page
    assert "Depth, in" in page
    assert "4 in is not less than the slab" in client.post(path, data=form | {"depth": "4"}).text.replace("\u00a0", " ")
    assert client.post(path, data=form, follow_redirects=False).status_code == 303
    made = us_site.job().location("slab-by-the-door")
    assert (made.slab_thickness_mm, made.depth_mm) == (pytest.approx(101.6), pytest.approx(40.64))
    said = client.get(path).text.replace("\u00a0", " ")
    assert "1.6 in deep, right for 4 in drying from one face: 1.6 in (ASTM F2170)" in said


def test_a_limit_that_is_not_changed_stays_to_the_last_digit(us_site: support.Site) -> None:
    """1 inHg = 3386.389 Pa: 500 Pa are 0.1477 inHg in the form, and those 500.2 Pa."""
    client, edit = us_site.client(), f"/jobs/{JOB}/locations/hall/edit"
    form = {"name": "Hall", "reference": "living-air", "metric": "vp_excess_pa", "limit": "0.1477"}
    assert client.post(edit, data=form, follow_redirects=False).status_code == 303
    goal = us_site.job().location("hall").goal
    assert goal is not None
    assert goal.limit == pytest.approx(0.1477 * 3386.389, rel=1e-6)
    page = client.get(edit).text
    assert 'value="0.1477"' in page
    assert "over the other air, inHg" in page
    before = us_site.job()
    assert client.post(edit, data=form | {"window": "24"}, follow_redirects=False).status_code == 303
    assert us_site.job() == before
