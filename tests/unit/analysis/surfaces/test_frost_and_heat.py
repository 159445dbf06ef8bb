"""Frost and heat: where they are told of, on which readings, and with which cautions."""

from __future__ import annotations

import numpy as np
import pytest
from damage_support import location, newest
from english import ENGLISH

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.lifecycle.rules import Truth
from monitord.analysis.surfaces.frost_and_heat import frost_and_heat
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import CautionKind
from monitord.text.damage import caution_sentence

OPTIONS = AnalysisOptions()


def told(kind, t, rh=50.0, n=160):
    findings, cautions = frost_and_heat(newest(location(kind), t, rh, n=n), OPTIONS)
    return {finding.kind: finding for finding in findings}, cautions


def verdict(finding):
    rule = default_rule_book().rule_for(finding.kind, "j", finding.location)
    assert rule is not None
    return rule.evaluate(finding, holds=False)


@pytest.mark.parametrize(("t", "expected"), [(2.5, Truth.TRUE), (3.5, Truth.FALSE), (18.0, Truth.FALSE)])
def test_a_room_close_to_freezing_is_told_of(t, expected):
    found, cautions = told("room_air", t)
    assert verdict(found["freezing"]) is expected
    assert bool(cautions) is (t <= OPTIONS.freezing_caution_c)
    assert found["freezing"].u is not None


def test_frost_in_cavities_voids_and_outdoors_is_winter_and_not_told_of():
    for kind in ("cavity", "subfloor_void", "outdoor_air", "surface", "slab_sleeve"):
        found, cautions = told(kind, -8.0)
        assert "freezing" not in found
        assert cautions == ()


def test_one_cold_reading_is_averaged_away():
    t = np.full(160, 8.0)
    t[-1] = 2.0
    found, _ = told("room_air", t)
    assert found["freezing"].value == pytest.approx((2.0 + 2 * 8.0) / 3)


def test_heat_in_a_room_counts_at_once_and_sun_on_a_wall_does_not():
    """Three hours of sun heat a cavity to 48 °C; the mean of twelve hours is what timber feels."""
    t = np.full(160, 20.0)
    t[-18:] = 48.0
    room, room_cautions = told("room_air", t)
    cavity, cavity_cautions = told("cavity", t)
    assert verdict(room["overheating"]) is Truth.TRUE
    assert [caution.kind for caution in room_cautions] == [CautionKind.HEAT]
    assert verdict(cavity["overheating"]) is Truth.FALSE
    assert cavity_cautions == ()
    baked, _ = told("cavity", 45.0)
    assert verdict(baked["overheating"]) is Truth.TRUE


def test_warm_air_that_is_too_dry_for_timber_is_cautioned_about():
    """34 °C and 15 %: timber would come to 3.3 %MC (Wood Handbook eq. 4-5); at 20 °C a dry room is only winter."""
    found, cautions = told("room_air", 34.0, 15.0)
    assert [caution.kind for caution in cautions] == [CautionKind.DRIES_TOO_FAST]
    said = caution_sentence(ENGLISH, cautions[0])
    assert said.startswith("Timber in this air would come to 3.3 % MC: its surface dries too fast")
    assert "common practice" in said
    assert verdict(found["overheating"]) is Truth.FALSE
    assert told("room_air", 20.0, 15.0)[1] == ()
    assert told("room_air", 34.0, 45.0)[1] == ()


def test_findings_carry_the_temperature_with_the_probes_uncertainty():
    found, _ = told("room_air", 1.0)
    fact = found["freezing"].facts.value
    assert (fact.value, fact.u, fact.unit) == (1.0, found["freezing"].u, "°C")
    assert found["freezing"].readings == 3
    assert found["freezing"].interval_s == 600.0


def test_a_missing_temperature_tells_nothing():
    t = np.full(160, 20.0)
    t[-60:] = np.nan
    findings, cautions = frost_and_heat(newest(location("room_air"), t, 50.0), OPTIONS)
    assert findings == []
    assert cautions == ()
