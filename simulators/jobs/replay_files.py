"""Writes a simulated job as the replay format has it: job.json and readings.csv, and truth.json beside them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from simulators.probes.gateway import Readings
from simulators.probes.measuring import IN_HAND
from simulators.scenario import Location, Scenario
from simulators.truth.records import Truth, as_json, iso

HEADER = "time,probe,temperature_c,relative_humidity_pct,surface_temperature_c,battery_v,received_at"


def job_dict(scenario: Scenario) -> dict[str, Any]:
    """What job.json holds."""
    probes = {p.id: p for p in scenario.probes}
    return {
        "format": 1,
        "job": f"{scenario.family.replace('_', '-')}-{scenario.seed}",
        "name": f"Simulated job, {scenario.family.replace('_', ' ')} {scenario.seed}",
        "timezone": scenario.zone,
        "elevation_m": scenario.elevation_m,
        "start": iso(scenario.start_s),
        "end": iso(scenario.end_s),
        "locations": [_location(location, scenario) for location in scenario.locations],
        "probes": [
            {
                "id": placement.probe,
                "location_id": placement.location,
                "from": iso(placement.from_s),
                "to": None if placement.to_s is None else iso(placement.to_s),
                "accuracy": {
                    "temperature_c": probes[placement.probe].accuracy_c,
                    "relative_humidity_pct": probes[placement.probe].accuracy_pct,
                },
                "interval_s": int(probes[placement.probe].interval_s),
            }
            for placement in scenario.placements
            if placement.from_s < scenario.end_s and placement.location != IN_HAND
        ],
    }


def _location(location: Location, scenario: Scenario) -> dict[str, Any]:
    sleeve = location.sleeve
    slab = None if sleeve is None else next(s for s in scenario.slabs if s.id == sleeve.slab)
    return {
        "id": location.id,
        "name": location.name,
        "kind": location.kind,
        "depth_mm": None if sleeve is None else sleeve.depth_mm,
        "slab_thickness_mm": None if slab is None else slab.thickness_mm,
        "drying_sides": None if slab is None else (2 if slab.below is not None else 1),
        "f_rsi": location.f_rsi,
        "installed_at": None if sleeve is None else iso(sleeve.installed_s),
        "sealed_at": None if sleeve is None else iso(sleeve.sealed_s),
        "goal": location.goal,
        "reference": location.reference,
    }


def _number(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.3f}".rstrip("0").rstrip(".")


def rows(readings: Readings) -> list[str]:
    """The lines of readings.csv, in order of arrival, without the header."""
    names = readings.probes
    known: dict[int, str] = {}

    def stamp(second: int) -> str:
        if second not in known:
            known[second] = iso(second)
        return known[second]

    return [
        f"{stamp(time)},{names[who]},{_number(t)},{_number(rh)},{_number(surface)},{_number(volts)},{stamp(received)}"
        for time, who, t, rh, surface, volts, received in zip(
            readings.time_s.tolist(),
            readings.probe.tolist(),
            readings.temperature_c.tolist(),
            readings.relative_humidity_pct.tolist(),
            readings.surface_temperature_c.tolist(),
            readings.battery_v.tolist(),
            readings.received_s.tolist(),
            strict=True,
        )
    ]


def write_job(out: Path, job: dict[str, Any], readings: Readings, truth: Truth) -> None:
    """Write the three files into a folder, which is made if it is not there."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "job.json").write_text(json.dumps(job, indent=1) + "\n", encoding="utf-8")
    (out / "readings.csv").write_text("\n".join([HEADER, *rows(readings)]) + "\n", encoding="utf-8")
    (out / "truth.json").write_text(json.dumps(as_json(truth)) + "\n", encoding="utf-8")
