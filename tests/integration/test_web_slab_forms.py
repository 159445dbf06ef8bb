"""Slabs and calibrations by form: the same model as the job file holds, refused for the same reasons."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
import web_support as support

from monitord.model.access import Role
from monitord.model.config.settings import Settings
from monitord.store.access import audit

JOB = "mill-lane-4"
SLABS, CALIBRATIONS = f"/jobs/{JOB}/slabs", f"/jobs/{JOB}/calibrations"
SLAB = {
    "name": "Living room slab",
    "position": ["sleeve"],
    "criteria": "in-situ-rh-72h",
    "area": "24,5",
    "covering": "Oak, glued",
    "maker": "Example Floors",
    "limit": "75",
    "limit_source": "data sheet, page 2",
    "t_min": "18",
    "t_max": "24",
    "h_min": "35",
    "h_max": "60",
    "aids_off": "2026-11-20T08:00",
}
CHECKED = {
    "probe": "K7-06",
    "at": "2026-11-10T09:00",
    "temperature": "-0,2",
    "humidity": "1.4",
    "u_temperature": "0.2",
    "u_humidity": "1.5",
    "method": "certificate 2026-117",
    "by": "R. Okafor",
}


def what(site: support.Site) -> list[str]:
    with site.db.read() as conn:
        return [entry.what for entry in audit.entries(conn, job=JOB)][::-1]


def test_a_slab_is_named_changed_and_removed(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    form = client.get(f"{SLABS}/new").text
    assert 'name="position" value="sleeve" checked' in form
    assert client.post(f"{SLABS}/new", data=SLAB, follow_redirects=False).status_code == 303
    (slab,) = site.job().slabs
    assert (slab.id, slab.area_m2, slab.covering.limit_pct) == ("living-room-slab", 24.5, 75.0)
    assert slab.service is not None
    assert (slab.service.temperature_max_c, slab.service.humidity_min_pct) == (24.0, 35.0)
    assert slab.drying_aids_off_at == datetime(2026, 11, 20, 8, tzinfo=UTC)
    assert slab.guard_factor is None
    edit = f"{SLABS}/{slab.id}/edit"
    assert 'value="data sheet, page 2"' in client.get(edit).text
    for _ in range(2):  # the same again changes nothing
        assert client.post(edit, data=SLAB | {"limit": "80", "guard": "1"}, follow_redirects=False).status_code == 303
    (changed,) = site.job().slabs
    assert (changed.covering.limit_pct, changed.guard_factor) == (80.0, 1.0)
    assert (
        "Edit this slab" in client.get(f"/jobs/{JOB}/readiness").text
        or "Edit Living" in client.get(f"/jobs/{JOB}/readiness").text
    )
    assert client.post(f"{SLABS}/{slab.id}/remove", follow_redirects=False).status_code == 303
    assert site.job().slabs == ()
    assert client.get(edit).status_code == 404
    assert what(site) == ["named a slab", "changed a slab", "removed a slab"]


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ({"name": " "}, "Give the slab a name"),
        ({"position": []}, "Tick the positions"),
        ({"position": ["nowhere"]}, "at least 1 item"),
        ({"criteria": "dry-to-goal"}, "Choose the criteria"),
        ({"limit": "750"}, "is not between 1 and 100"),
        ({"t_min": ""}, "or none of the four"),
        ({"h_min": "70"}, "is not above the lowest"),
        ({"aids_off": "yesterday"}, "Give day and time"),
        ({"room": "bed"}, "room"),
    ],
)
def test_a_slab_that_can_not_be_is_refused_and_what_was_typed_stays(
    site: support.Site, typed: dict[str, object], why: str
) -> None:
    answer = site.client().post(f"{SLABS}/new", data=SLAB | typed, follow_redirects=False)
    assert answer.status_code == 422
    assert why in answer.text
    assert "Example Floors" in answer.text
    assert site.job().slabs == ()


def test_a_calibration_is_recorded_and_taken_out(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    for _ in range(2):
        assert client.post(CALIBRATIONS, data=CHECKED, follow_redirects=False).status_code == 303
    (made,) = site.job().calibrations
    assert (made.temperature_correction_c, made.relative_humidity_correction_pct) == (-0.2, 1.4)
    assert made.accuracy is not None
    assert made.accuracy.relative_humidity_pct == 1.5
    page = client.get(CALIBRATIONS).text
    assert "1 calibration on record" in page
    assert "\u22120.2 K, +1.4 % RH" in page
    wrong = client.post(f"{CALIBRATIONS}/remove", data={"number": "1", "probe": "K7-01"}, follow_redirects=False)
    assert wrong.status_code == 404
    gone = client.post(f"{CALIBRATIONS}/remove", data={"number": "1", "probe": "K7-06"}, follow_redirects=False)
    assert gone.status_code == 303
    assert site.job().calibrations == ()
    assert what(site) == ["recorded a calibration", "took a calibration out"]


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ({"probe": "K9-99"}, "Choose a probe"),
        ({"at": ""}, "Give day and time"),
        ({"at": "2027-01-01T00:00"}, "lies in the future"),
        ({"humidity": "40"}, "is not between -20 and 20"),
        ({"u_humidity": ""}, "or neither"),
        ({"method": ""}, "Say how it was checked"),
    ],
)
def test_a_calibration_that_can_not_be_is_refused(site: support.Site, typed: dict[str, str], why: str) -> None:
    answer = site.client().post(CALIBRATIONS, data=CHECKED | typed, follow_redirects=False)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job().calibrations == ()


def test_a_correction_is_typed_in_the_readers_unit(site: support.Site) -> None:
    # NIST SP 811: a difference of 1 K is one of 1.8 \u00b0F
    site.settings = Settings.model_validate({"web": {"units": "us"}})
    data = CHECKED | {"temperature": "1.8", "u_temperature": "0.9"}
    assert site.client().post(CALIBRATIONS, data=data, follow_redirects=False).status_code == 303
    (made,) = site.job().calibrations
    assert made.temperature_correction_c == pytest.approx(1.0)
    assert made.accuracy is not None
    assert made.accuracy.temperature_c == pytest.approx(0.5)
    assert made.at < site.clock.at - timedelta(days=1)
