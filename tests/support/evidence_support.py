"""A small job with readings of its own, as rows of an evidence pack and as readings for a store."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from analysis_series import START
from readiness_support import document

from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readings import Reading
from monitord.report.pack import Evidence
from monitord.report.readings_file import Row

DAYS = 8


def job(**slab: object) -> JobFile:
    """A room and a slab with three sleeves; a reading an hour."""
    made = document(**slab)
    for probe in made["probes"]:
        probe["interval_s"] = 3600
    made["spots"] = [
        {
            "location_id": "room",
            "at": START.isoformat(),
            "kind": "surface_temperature_c",
            "value": 17.5,
            "note": "=HYPERLINK(1)",
        }
    ]
    return JobFile.model_validate(made)


def readings(rh_pct: float = 72.0, days: float = DAYS, from_day: float = 0.0) -> list[Reading]:
    """Every hour of every probe, each wandering a little; the sleeves near one humidity."""
    noise = np.random.default_rng(1)
    found = []
    for hour in range(int(24 * from_day), int(24 * days)):
        for where in ("room", "s1", "s2", "s3"):
            time = START + timedelta(hours=hour, minutes=20)
            humidity = 45.0 if where == "room" else rh_pct
            found.append(
                Reading(
                    probe=f"p-{where}",
                    time=time,
                    temperature_c=round(20.0 + float(noise.normal(0, 0.05)), 3),
                    relative_humidity_pct=round(humidity + float(noise.normal(0, 0.1)), 3),
                    received_at=time + timedelta(seconds=4),
                )
            )
    return found


def end() -> datetime:
    """When the readings end."""
    return START + timedelta(days=DAYS)


def evidence(rh_pct: float = 72.0, **slab: object) -> Evidence:
    """The evidence of that job as of its end."""
    made = readings(rh_pct)
    rows = [
        Row(
            round(r.received_at.timestamp() * 1000),
            round(r.time.timestamp() * 1000),
            r.probe,
            r.probe.removeprefix("p-"),
            r.temperature_c,
            r.relative_humidity_pct,
            float("nan"),
            float("nan"),
        )
        for r in made
    ]
    return Evidence(job=job(**slab), as_of=end(), rows=rows, criteria=built_in(), options=AnalysisOptions())
