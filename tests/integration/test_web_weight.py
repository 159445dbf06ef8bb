"""What the first load of a page weighs, compressed as browsers ask for it: page, styles, scripts and pictures that are
not put off. Bounded at 300 kB each, which a weak signal of 1 Mbit/s carries in 2.4 s (our choice)."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
import web_support as support
from starlette.testclient import TestClient

from monitord.store.assessments import save_assessment
from monitord.store.jobs import apply_job

MAX_BYTES = 300_000
JOBS = 40


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Forty jobs of nine locations each, all assessed; the first with its readings and alerts."""
    site = support.mill_lane(tmp_path_factory.mktemp("weight"), step_s=3600.0)
    with site.db.write() as conn:
        for number in range(1, JOBS):
            job = f"job-{number}"
            copied = {"job": job, "name": f"{number} Mill Lane, ground floor", "probes": ()}
            apply_job(conn, support.MILL_LANE.model_copy(update=copied))
            save_assessment(conn, support.assessment().model_copy(update={"job": job}))
    yield site.client()
    site.db.close()


def weight(client: TestClient, path: str) -> int:
    """Bytes over the wire of one address."""
    with client.stream("GET", path, headers={"accept-encoding": "gzip"}) as answer:
        assert answer.status_code == 200, path
        return sum(len(part) for part in answer.iter_raw())


@pytest.mark.parametrize(
    "path",
    ["/", "/alerts", "/probes", "/jobs/mill-lane-4", "/jobs/mill-lane-4/locations/utility", "/jobs/mill-lane-4/place"],
)
def test_the_first_load_of_a_page_is_light(client: TestClient, path: str) -> None:
    page = client.get(path).text
    wanted = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', page))
    assert any("style.css" in part for part in wanted)
    pictures = re.findall(r"<img [^>]*>", page)
    assert all('loading="lazy"' in picture for picture in pictures), "photos wait until they are looked at"
    total = weight(client, path) + sum(weight(client, part) for part in wanted)
    assert total < MAX_BYTES, f"{path}: {total} bytes"


def test_the_list_of_forty_jobs_names_each(client: TestClient) -> None:
    page = client.get("/").text
    assert all(f"{number} Mill Lane" in page for number in range(1, JOBS))
