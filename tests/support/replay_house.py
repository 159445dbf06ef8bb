"""A small house of five places over eight days, as a folder for replay: an outage, a silence, a sleeve, three goals."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from monitord.physics.moist_air import saturation_vapour_pressure

START = datetime(2025, 3, 1, 9, tzinfo=UTC)
DAYS = 8.0
STEP = timedelta(minutes=30)
HEADER = "time,probe,temperature_c,relative_humidity_pct,surface_temperature_c,battery_v,received_at"
OUTAGE_D = (4.0, 4.5)
"""The gateway is away; all comes at once at its end."""
YARD_SILENT_D = (2.0, 2.3)
SLEEVE_SILENT_FROM_D = 6.5


def z(moment: datetime) -> str:
    """A time as the format writes it."""
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def at_day(day: float) -> datetime:
    """So many days after the start."""
    return START + timedelta(days=day)


def location(id_: str, kind: str, **keys: Any) -> dict[str, Any]:
    """A location with every key of the format."""
    empty = dict.fromkeys(
        ("depth_mm", "slab_thickness_mm", "drying_sides", "f_rsi", "installed_at", "sealed_at", "goal", "reference")
    )
    return {"id": id_, "name": f"The {id_}", "kind": kind} | empty | keys


def job() -> dict[str, Any]:
    """job.json."""
    return {
        "format": 1,
        "job": "replayed",
        "name": "A small house",
        "timezone": "Europe/Helsinki",
        "elevation_m": 40,
        "start": z(START),
        "end": z(at_day(DAYS)),
        "locations": [
            location("room", "room_air", f_rsi=0.72),
            location("yard", "outdoor_air"),
            location("wall", "cavity", reference="room", goal={"metric": "rh_pct", "limit": 65.0, "window_h": 24}),
            location(
                "slab", "slab_sleeve", reference="room", depth_mm=40, slab_thickness_mm=100, drying_sides=1,
                installed_at=z(at_day(0.2)), sealed_at=z(at_day(0.25)),
                goal={"metric": "equilibrium_rh_pct", "limit": 80.0, "window_h": 24},
            ),
            location("void", "subfloor_void", goal={"metric": "timber_mc_pct", "limit": 16.0, "window_h": 72}),
        ],
        "probes": [
            {
                "id": f"p-{name}", "location_id": name, "from": z(at_day(0.0)), "to": None,
                "accuracy": {"temperature_c": 0.3, "relative_humidity_pct": 2.0}, "interval_s": 1800,
            }
            for name in ("room", "yard", "wall", "slab", "void")
        ],
    }  # fmt: skip


def _course(name: str, day: float) -> tuple[float, float]:
    """Temperature [°C] and humidity [%] at a place."""
    cycle = np.cos(2 * np.pi * (day + START.hour / 24.0 - 15.0 / 24.0))
    if name == "yard":
        t = 2.0 + 3.0 * cycle
        return t, 100.0 * 560.0 / float(saturation_vapour_pressure(t, "water"))
    if name == "room":
        return 20.0 + 0.5 * cycle, 42.0 - 1.5 * cycle
    if name == "wall":
        return 17.0 + 0.8 * cycle, 50.0 + 40.0 * np.exp(-day / 1.6) - 1.0 * cycle
    if name == "slab":
        sealed = 1.0 - np.exp(-max(day - 0.25, 0.0) / 0.5)
        return 18.0 + 0.1 * cycle, 45.0 + sealed * (43.0 - 0.25 * day)
    return 9.0 + 0.3 * cycle, 72.0 - 0.6 * day


@dataclass(frozen=True)
class Row:
    """A row of readings.csv and when it arrived."""

    received: datetime
    text: str


def rows() -> list[Row]:
    """The rows in order of arrival."""
    rng = np.random.default_rng(3)
    found: list[Row] = []
    for k, name in enumerate(("room", "yard", "wall", "slab", "void")):
        for n in range(int(DAYS * 86_400.0 / STEP.total_seconds())):
            time = START + n * STEP + timedelta(seconds=37 * k)
            day = (time - START).total_seconds() / 86_400.0
            t, rh = (x + rng.normal(0.0, sd) for x, sd in zip(_course(name, day), (0.03, 0.1), strict=True))
            silent = name == "yard" and YARD_SILENT_D[0] <= day < YARD_SILENT_D[1]
            if silent or (name == "slab" and day >= SLEEVE_SILENT_FROM_D):
                continue
            received = time + timedelta(seconds=4)
            if OUTAGE_D[0] <= day < OUTAGE_D[1]:
                received = at_day(OUTAGE_D[1]) + timedelta(seconds=20)
            surface = f"{t - 2.0:.2f}" if name == "room" else ""
            battery = "" if n % 5 else "3.01"
            found.append(Row(received, f"{z(time)},p-{name},{t:.2f},{rh:.1f},{surface},{battery},{z(received)}"))
    return sorted(found, key=lambda row: row.received)


def write(folder: Path, wanted: list[Row], job_file: dict[str, Any] | None = None) -> Path:
    """A folder for replay; also with a file that is no input."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.json").write_text(json.dumps(job_file or job()), encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join([HEADER, *(r.text for r in wanted)]) + "\n", encoding="utf-8")
    (folder / "truth.json").write_text("not even JSON", encoding="utf-8")
    return folder
