"""Writes a simulated job as the replay format has it: job.json and readings.csv, and truth.json beside them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from simulators.probes.gateway import Readings
from simulators.probes.measuring import IN_HAND
from simulators.scenario import Location, Plan
from simulators.truth.records import Truth, as_json, iso

HEADER = "time,probe,temperature_c,relative_humidity_pct,surface_temperature_c,battery_v,received_at"


def job_dict(plan: Plan) -> dict[str, Any]:
    """What job.json holds."""
    probes = {p.id: p for p in plan.probes}
    return {
        "format": 1,
        "job": f"{plan.family.replace('_', '-')}-{plan.seed}",
        "name": f"Simulated job, {plan.family.replace('_', ' ')} {plan.seed}",
        "timezone": plan.zone,
        "elevation_m": plan.elevation_m,
        "start": iso(plan.start_s),
        "end": iso(plan.end_s),
        "locations": [_location(place, plan) for place in plan.locations],
        "probes": [
            {
                "id": stay.probe,
                "location_id": stay.location,
                "from": iso(stay.from_s),
                "to": None if stay.to_s is None else iso(stay.to_s),
                "accuracy": {
                    "temperature_c": probes[stay.probe].accuracy_c,
                    "relative_humidity_pct": probes[stay.probe].accuracy_pct,
                },
                "interval_s": int(probes[stay.probe].interval_s),
            }
            for stay in plan.stays
            if stay.from_s < plan.end_s and stay.location != IN_HAND
        ],
    }


def _location(place: Location, plan: Plan) -> dict[str, Any]:
    sleeve = place.sleeve
    slab = None if sleeve is None else next(s for s in plan.slabs if s.id == sleeve.slab)
    return {
        "id": place.id,
        "name": place.name,
        "kind": place.kind,
        "depth_mm": None if sleeve is None else sleeve.depth_mm,
        "slab_thickness_mm": None if slab is None else slab.thickness_mm,
        "drying_sides": None if slab is None else (2 if slab.below is not None else 1),
        "f_rsi": place.f_rsi,
        "installed_at": None if sleeve is None else iso(sleeve.installed_s),
        "sealed_at": None if sleeve is None else iso(sleeve.sealed_s),
        "goal": place.goal,
        "reference": place.reference,
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
