"""The demo's house does what the demo promises, in time to be watched."""

from __future__ import annotations

import json

from monitord.ingest.decoding.native_json import KEYS
from monitord.model.job_files.files import parse_job
from simulators.demo.house import CONDENSING_LOCATION, DAYS, FACTOR, SILENT_PROBE, demo

DAY_S = 86_400.0


def test_the_demo_shows_condensation_rise_and_end_and_then_a_silent_probe() -> None:
    """Within three minutes at its factor: condensation at a third of the way, over before the probe goes silent."""
    house = demo()
    assert DAYS * DAY_S / FACTOR < 180.0
    start = house.start.timestamp()
    (wet,) = house.made.truth.locations[CONDENSING_LOCATION].condensation
    assert 0.25 < (wet.from_s - start) / (DAYS * DAY_S) < 0.45
    assert wet.deepest_k > 1.5
    assert wet.hours > 12.0
    (silent,) = [s for s in house.made.truth.silences if s.cause == "silent"]
    assert silent.probe == SILENT_PROBE
    assert silent.from_s > wet.to_s + 1.5 * DAY_S  # the alert has closed by then
    assert (silent.from_s - start) / FACTOR < 150.0
    for name, location in house.made.truth.locations.items():
        assert name == CONDENSING_LOCATION or location.condensation == []


def test_the_demos_job_and_messages_are_what_the_daemon_takes() -> None:
    house = demo()
    job = parse_job(json.dumps(house.job), "json")
    assert len(job.probes) == 8
    timber = job.spots_at("void")[0]
    day = int((timber.at.timestamp() - house.start.timestamp()) / 3600.0)
    truth = house.made.truth.locations["void"].timber_pct[day]
    assert abs(timber.value - truth) < 2.0  # the meter errs, and by no more than it may
    stream = list(house.messages())
    assert [m.sim_time_s for m in stream] == sorted(m.sim_time_s for m in stream)
    assert {m.topic for m in stream} == {f"monitord/house/{placement.probe}/reading" for placement in job.probes}
    for message in stream[:50]:
        assert isinstance(message.payload, dict)
        assert message.payload.keys() <= KEYS
        assert json.loads(message.body) == message.payload
