"""Malformed input by the thousand: good samples cut, flipped, spliced and swollen, for all that reads from outside.

A case may be refused in the reader's own words and may be taken; anything else fails. `tests/endure.py fuzz` runs a
million, a test some thousand.
"""

from __future__ import annotations

import contextlib
import json
import random
import string
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

import cbor2
import web_support as support

from monitord.access import client_links
from monitord.alerts.lifecycle.rule_files import rule_book_of
from monitord.alerts.messages.signed_links import Link, LinkError, Purpose, read, sign
from monitord.errors import ConfigurationError, DecodeError, JobFileError
from monitord.ingest.decoding import open_formats
from monitord.ingest.decoding.decode import decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.dry_run import draft, explain, rules_from
from monitord.ingest.recipes import recipes
from monitord.model.config.broker import TopicRule
from monitord.model.config.settings import load_settings
from monitord.model.job_files.files import parse_job
from monitord.model.readiness.criteria_files import parse_criteria
from monitord.replay.run import read_arrivals

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "tests/unit/ingest/samples/gateways.json"
NOW = datetime(2026, 6, 1, 10, 0, 5, tzinfo=UTC)
SECRET = b"a secret of the tests"
TOKENS = (
    b"{", b"}", b"[", b"]", b'"', b",", b":", b"null", b"true", b"1e999", b"-1", b"9" * 40, b"NaN", b"\\u0000", b"\xff",
    b"\x00", b"\xf5\xf6", b"\x1f\x8b", b"[" * 300, b'{"a":' * 120, b"..", b"../", b"<script>", b"'", b"`", b"\r\n",
    b"2025-02-30T25:61:61Z", b"+99:99", b"\xe2\x80\xae", b"%00", b"#", b"+", b"$SYS", b"=", b"&", b";", "😀".encode(),
)  # fmt: skip
"""What parsers stumble over."""


def mutated(sample: bytes, chance: random.Random) -> bytes:
    """The sample with one to four changes."""
    data = bytearray(sample)
    for _ in range(chance.randint(1, 4)):
        at, end = sorted((chance.randint(0, len(data)), chance.randint(0, len(data))))
        match chance.randrange(7):
            case 0 if data:
                data[min(at, len(data) - 1)] ^= 1 << chance.randrange(8)
            case 1:
                data[at:at] = chance.choice(TOKENS)
            case 2:
                del data[at : min(end, at + 40)]
            case 3:
                data[at:at] = data[at : min(end, at + 200)] * chance.randint(1, 8)
            case 4:
                data[at : at + chance.randint(0, 8)] = chance.choice(TOKENS)
            case 5:
                data[at:at] = chance.randbytes(chance.randint(1, 12))
            case _:
                del data[at:]
    return bytes(data[:200_000])


Case = Callable[[random.Random], bool]
"""One malformed input; whether it was refused."""


def _decoders() -> Case:
    topics = [rule for text in recipes().values() for rule in tomllib.loads(text)["topics"]]
    rules = TopicRules([TopicRule.model_validate(rule) for rule in topics])
    seeds = []
    for kind in json.loads(SAMPLES.read_text(encoding="utf-8")):
        for message in kind["messages"]:
            if "hex" in message:
                payload = bytes.fromhex(message["hex"])
            else:
                payload = message["text"].encode() if "text" in message else json.dumps(message["json"]).encode()
            seeds.append((message["topic"], payload))
    own = {"time": "2025-03-01T10:00:00Z", "temperature_c": 18.2, "relative_humidity_pct": 61.4, "battery_pct": 90}
    pack = [
        {"bn": "urn:dev:mac:0024befffe804ff1:", "bt": 1740823200, "n": "temperature", "u": "Cel", "v": 18.2},
        {"n": "humidity", "u": "%RH", "v": 61.4},
    ]
    hours = [{"time": "2026-06-01T11:00:00Z", "temperature_c": -2.5, "relative_humidity_pct": 86}] * 3
    seeds += [
        ("monitord/g/p/reading", json.dumps(own).encode()),
        ("monitord/g/p/reading", json.dumps([own] * 3).encode()),
        ("monitord/g/p/senml", json.dumps(pack).encode()),
        ("monitord/g/p/senml-cbor", cbor2.dumps(pack)),
        ("monitord/j/outdoor-forecast", json.dumps({"issued_at": "2026-06-01T09:00:00Z", "hours": hours}).encode()),
    ] * 10

    def case(chance: random.Random) -> bool:
        topic, payload = chance.choice(seeds)
        if chance.random() < 0.05:
            topic = mutated(topic.encode(), chance).decode(errors="replace")
        payload = mutated(payload, chance)
        if chance.random() < 0.02:
            explain(topic, payload, NOW, rules)
            draft(topic, payload, NOW)
        refusal = None
        try:
            decode(topic, payload, NOW, rules, retained=chance.random() < 0.1, delayed=chance.random() < 0.1)
        except DecodeError as error:
            refusal = error
        assert refusal is None or refusal.code != "decoder_failed", f"{topic} {payload[:500]!r}: {refusal}"
        return refusal is not None

    return case


def _open_formats(chance: random.Random) -> bool:
    name = chance.choice(sorted(open_formats.FORMATS))
    text = chance.randbytes(chance.randint(0, 40)).hex() if chance.random() < 0.8 else chance.choice(string.printable)
    try:
        open_formats.decode(name, text)
    except ValueError:  # an expression of a rule turns it into a refusal of its own
        return True
    return False


def _text(parse: Callable[[str], object], seed: str, *errors: type[Exception]) -> Case:
    def case(chance: random.Random) -> bool:
        text = mutated(seed.encode(), chance).decode(errors="replace")
        try:
            parse(text)
        except errors:
            return True
        return False

    return case


def _files(folder: Path) -> Iterator[Case]:
    """Everything that a person writes or hands in as a file."""
    job = (ROOT / "config/job.example.toml").read_text(encoding="utf-8")
    yield _text(lambda text: parse_job(text, "toml"), job, JobFileError)
    yield _text(lambda text: parse_job(text, "json"), json.dumps(tomllib.loads(job), default=str), JobFileError)
    for file in sorted((ROOT / "config/criteria").glob("*.toml")):
        yield _text(lambda text: parse_criteria(text, "c"), file.read_text(encoding="utf-8"), ConfigurationError)
    rules = (ROOT / "monitord/alerts/lifecycle/default_rules.toml").read_text(encoding="utf-8")
    refusals = (ConfigurationError, tomllib.TOMLDecodeError)
    yield _text(lambda text: rule_book_of(tomllib.loads(text), "r"), rules, *refusals)
    yield _text(lambda text: rules_from(text, "r"), "\n".join(list(recipes().values())[::5]), ConfigurationError)
    path = folder / "input"

    def by_path(read_file: Callable[[Path], object], seed: str) -> Case:
        def parse(text: str) -> object:
            path.write_text(text, encoding="utf-8", errors="surrogatepass")
            return read_file(path)

        return _text(parse, seed, ConfigurationError)

    header = "time,probe,temperature_c,relative_humidity_pct,surface_temperature_c,battery_v,received_at"
    row = "2025-03-01T10:00:00Z,p1,18.2,61.4,,3.05,2025-03-01T10:00:04Z"
    yield by_path(read_arrivals, "\n".join([header, *[row] * 5]))
    settings = '[broker]\nhost = "mqtt.example.org"\n[brokers.cloud]\nport = 8883\ntls = true\n[web]\nport = 0\n'
    yield by_path(load_settings, settings)


def _links() -> Case:
    link = Link(purpose=Purpose.MUTE, person="anna", subject="f", mute_h=24.0, expires=2**31)
    seeds = [sign(link, SECRET), client_links.sign("abc", SECRET)]

    def case(chance: random.Random) -> bool:
        token = mutated(chance.choice(seeds).encode(), chance).decode(errors="replace")
        opened = client_links.read(token, SECRET)
        assert opened in (None, "abc"), f"{token!r} opens {opened!r}"
        with contextlib.suppress(LinkError):
            assert read(token, Purpose.MUTE, SECRET, NOW) == link, f"{token!r} is taken"
        return opened is None

    return case


def _routes(folder: Path) -> Case:
    """Pages, JSON and forms, asked for as an owner would; no answer is an error of ours."""
    site = support.mill_lane(folder, step_s=6 * 3600.0)
    client = site.client()
    paths = [
        "/", "/jobs/mill-lane-4", "/jobs/mill-lane-4/locations/utility", "/alerts", "/probes", "/place?probe=K7-77",
        "/jobs/mill-lane-4/locations/utility?from=2026-11-20T00:00:00Z&to=2026-11-21T00:00:00Z&hours=24",
        "/api/jobs/mill-lane-4/series?trace=utility:temperature&from=2026-11-20T00:00:00Z", "/settings/rules?held=1",
        "/api/jobs/mill-lane-4/locations/utility/readings?since=2026-11-20T00:00:00Z&limit=5", "/c/abc.def",
        "/link/mute/abc", "/set-up/abc", "/enter/abc", "/jobs/mill-lane-4/locations/utility/readings.csv?units=us",
        "/alerts/abc/1", "/static/style.css", "/api/alerts?open=true",
    ]  # fmt: skip
    forms = ["/settings/rules", "/mutes", "/new-job", "/jobs/mill-lane-4/round", "/sign-in", "/link/mute/abc"]

    def case(chance: random.Random) -> bool:
        if chance.random() < 0.8:
            path = quote(mutated(chance.choice(paths).encode(), chance)[:4000], safe="/?&=:%")
            answer = client.get("/" + path.lstrip("/"), follow_redirects=False)
        else:
            fields = ("topic", "payload", "rules", "name", "job", "value", "until", "location", "comment", "person")
            body = {name: mutated(b"sample 12.5", chance).decode("latin-1") for name in chance.sample(fields, 4)}
            answer = client.post(chance.choice(forms), data=body, follow_redirects=False)
        assert answer.status_code < 500, f"{answer.request.method} {answer.request.url}: {answer.status_code}"
        return answer.status_code >= 400

    return case


@dataclass(frozen=True)
class Fuzzed:
    """What came of the cases."""

    cases: int
    refused: int
    seconds: float
    slowest_s: float
    """Of one case, in time of the processor."""


def fuzz(cases: int, *, seed: int = 1) -> Fuzzed:
    """Run so many malformed inputs; most to the decoders, one in a hundred to the dashboard."""
    chance, refused, slowest, began = random.Random(seed), Counter[bool](), 0.0, time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "site").mkdir()
        decoders, links, files, routes = _decoders(), _links(), list(_files(folder)), _routes(folder / "site")
        for _ in range(cases):
            kind = chance.random()
            if kind < 0.74:
                case = decoders
            elif kind < 0.84:
                case = _open_formats
            elif kind < 0.94:
                case = links
            else:
                case = chance.choice(files) if kind < 0.99 else routes
            before = time.process_time()
            refused[case(chance)] += 1
            slowest = max(slowest, time.process_time() - before)
    assert 0 < refused[True] < cases, "all or none refused: the inputs prove nothing"
    return Fuzzed(cases, refused[True], time.monotonic() - began, slowest)
