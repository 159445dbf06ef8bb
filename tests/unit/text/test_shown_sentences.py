"""Sentences of what is shown beside a location: each case in each language, with and without what may be missing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import product

import pytest

from monitord.model.assessments import (
    Comparison,
    DepthComparison,
    DepthVerdict,
    FarSide,
    Flow,
    MoistureSource,
    SourceKind,
    SourceReason,
)
from monitord.model.damage import (
    Caution,
    CautionKind,
    Measure,
    MeasureEffect,
    MeasureKind,
    NightAhead,
    Ventilation,
    VentilationEffect,
    Warmth,
    WetPlaces,
    WoodMoisture,
)
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.quantity import Quantity
from monitord.model.units import Units, quantity_in
from monitord.text.catalogue import language, languages
from monitord.text.comparisons import comparison_sentence, source_sentence
from monitord.text.damage import caution_sentence, night_sentence, timber_sentence, ventilation_sentence
from monitord.text.faults import fault_sentence
from monitord.text.speaker import Speaker

NOW = datetime(2026, 11, 24, 12, tzinfo=UTC)
PA, RH, MM = Quantity(value=420.0, u=35.0, unit="Pa"), Quantity(value=84.2, u=1.0, unit="% RH"), "mm"
MC = Quantity(value=17.2, u=0.8, unit="% MC")
MEASURES = tuple(
    Measure(name=name, setting=setting, effect=effect, drive=PA, gain=Quantity(value=120.0, u=20.0, unit="Pa"))
    for name, setting, effect in zip(
        MeasureKind,
        (Quantity(value=1.0, unit="1/h"), Quantity(value=5.0, unit="K"), Quantity(value=45.0, unit="% RH")),
        MeasureEffect,
        strict=True,
    )
)


def speaker(name: str, units: Units = Units.METRIC) -> Speaker:
    return Speaker(language(name), UTC, NOW, partial(quantity_in, units=units))


def plain(text: str) -> bool:
    return bool(text) and not set("{}") & set(text) and "None" not in text.replace("None of", "") and "  " not in text


def ventilation(effect: VentilationEffect, **more: object) -> Ventilation:
    known = effect is not VentilationEffect.UNKNOWN
    return Ventilation.model_validate(
        {
            "room": "room",
            "outdoor": "out",
            "at": NOW if known else None,
            "effect": effect,
            "difference": PA if known else None,
            "water": Quantity(value=160.0, u=15.0, unit="g/h") if known else None,
            "air_changes_per_h": 1.0,
            "volume": Quantity(value=50.0, unit="m³"),
            "day_difference": None,
            "day_share": None,
            "day_water": None,
            "condenses_on": None,
            "condenses_probability": None,
            **more,
        }
    )


def depths(verdict: DepthVerdict, far_side: FarSide | None, sleeves: int) -> Comparison:
    rate = Quantity(value=-0.03, unit="% RH/day")
    found = DepthComparison(
        verdict=verdict,
        moisture=RH,
        other=RH,
        depth=Quantity(value=40.0, unit=MM),
        other_depth=Quantity(value=80.0, unit=MM),
        other_sleeves=sleeves,
        deeper_excess=Quantity(value=4.0, u=0.7, unit="% RH"),
        brought_to=Quantity(value=20.0, unit="°C"),
        far_side=far_side,
        deep_rate=rate,
        rate_days=21,
        expected_loss=rate,
    )
    return compared(Flow.OUT_OF).model_copy(update={"role": "depth", "depths": found})


def source(reason: SourceReason, over_room: Quantity | None, over_outdoors: Quantity | None) -> MoistureSource:
    return MoistureSource(
        kind=SourceKind.UNKNOWN, reason=reason, hours=70, over_room=over_room, over_outdoors=over_outdoors
    )


def compared(flow: Flow) -> Comparison:
    difference = None if flow is Flow.UNKNOWN else PA
    return Comparison(
        against="room",
        role="room",
        at=NOW,
        vapour_pressure_difference=difference,
        humidity_ratio_difference=None,
        flow=flow,
    )


@pytest.mark.parametrize("name", languages())
def test_comparisons_and_sources_are_said_in_each_language(name: str) -> None:
    by = speaker(name)
    said = [comparison_sentence(by, compared(flow), "Void", "Room") for flow in Flow]
    said += [
        comparison_sentence(by, depths(*case), "Sleeve 1", "Sleeve 2")
        for case in product(DepthVerdict, (None, *FarSide), (1, 3))
    ]
    said += [
        source_sentence(
            by, MoistureSource(kind=SourceKind.UNKNOWN, reason=reason, hours=70, over_room=a, over_outdoors=b)
        )
        for reason, a, b in product(SourceReason, (PA, None), (PA, None))
    ]
    assert all(plain(text) for text in said)


@pytest.mark.parametrize("name", languages())
def test_ventilation_is_said_in_each_language(name: str) -> None:
    by = speaker(name)
    day = {"day_share": 0.4, "condenses_on": "wall"}
    balance = {"measures": MEASURES, "dries": WetPlaces.ASSUMED}
    cases: tuple[dict[str, object], ...] = (
        {},
        day | {"day_water": Quantity(value=-480.0, u=40.0, unit="g")},
        day | {"day_water": Quantity(value=1480.0, u=40.0, unit="g")} | balance,
        balance | {"helps": True},
        balance | {"helps": True, "as_good": (MeasureKind.HEAT,)},
        balance | {"helps": True, "as_good": (MeasureKind.HEAT, MeasureKind.DEHUMIDIFY), "air_changes_per_h": 2.5},
    )
    for effect, more in product(VentilationEffect, cases):
        assert plain(ventilation_sentence(by, ventilation(effect, **more), "Wall"))


@pytest.mark.parametrize("name", languages())
def test_timber_the_night_ahead_cautions_and_faults_are_said_in_each_language(name: str) -> None:
    by = speaker(name)
    for warmth, since, spot, emc in product(Warmth, (NOW, None), (MC, None), (15.0, None)):
        wood = WoodMoisture(
            at=NOW,
            value=MC,
            high=24.0,
            equilibrium=emc,
            above_since=since,
            above=Quantity(value=20.0, unit="% MC"),
            warmth=warmth,
            spot_at=NOW if spot else None,
            spot=spot,
        )
        assert plain(timber_sentence(by, wood))
    for start, until, possibly, forecast in product((NOW, None), (NOW + timedelta(hours=5), None), (NOW, None), (0, 1)):
        night = NightAhead(
            made_at=NOW,
            margin_k=(),
            u_k=(),
            deepest=Quantity(value=-0.8, u=0.5, unit="K"),
            deepest_at=NOW,
            probability=0.8,
            expected_from=start,
            expected_to=until,
            possibly_from=possibly,
            hours=36,
            cycle_days=5,
            by_outdoor_forecast=bool(forecast),
        )
        assert plain(night_sentence(by, night))
    assert all(plain(caution_sentence(by, Caution(kind=kind, value=MC))) for kind in CautionKind)
    for reason in FaultReason:
        assert plain(fault_sentence(by, FaultFacts(reason=reason, value=RH, before=RH, count=3)))


def test_sentences_are_made_in_the_readers_units() -> None:
    """420 Pa are 0.124 inHg; 5 K are 9 °F; 50 m³ are 1766 ft³; 160 g are 0.35 lb (NIST SP 811, B.8)."""
    said = ventilation_sentence(
        speaker("en", Units.US),
        ventilation(VentilationEffect.DRIES, measures=MEASURES, dries=WetPlaces.MONITORED, helps=True),
    )
    assert "drier by 0.12 ± 0.02 inHg" in said
    assert "0.35 ± 0.07 lb/h of water at 1 air change an hour in 1766 ft³" in said
    assert "Heating by 9 °F" in said
    assert "from 0.089 inHg to about 0.124 inHg" in said
    assert "Pa" not in said.replace("Dehumidifying", "")


def test_faults_say_what_the_readings_show() -> None:
    by = speaker("en")
    share = FaultFacts(reason=FaultReason.LOSES_READINGS, value=Quantity(value=0.246, unit="1"), count=12)
    assert fault_sentence(by, share) == "25 % of its readings of the last day are lost, in 12 gaps"
    clock = FaultFacts(reason=FaultReason.CLOCK_AHEAD, value=Quantity(value=1500.0, unit="s"))
    assert fault_sentence(by, clock) == "its clock is 25 min ahead of the time its readings arrive"
    jump = FaultFacts(reason=FaultReason.JUMPED, value=Quantity(value=6.2, unit="% RH"))
    assert fault_sentence(by, jump).startswith("jumped by +6.2 % RH within two hours")
    stands = FaultFacts(reason=FaultReason.STANDS_HIGH, value=Quantity(value=99.6, unit="% RH"), count=30)
    assert fault_sentence(by, stands) == "stands at 100 % RH through 30 h of changing temperature"
