"""What `deploy/` hands out beside the broker's files: service unit, containers, reverse proxy, locked versions.

The containers' own steps run here without containers: their broker and proxy files under the real programs.
"""

from __future__ import annotations

import http.server
import re
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from importlib.metadata import distribution
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
import yaml
from brokers import Mosquitto, wait_until
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from monitord.cli.parsers.build import build_parser
from monitord.daemon.shared_work import shares_work
from monitord.ingest.mqtt.embedded_broker import free_port
from monitord.model.config.roles import DaemonRole
from monitord.model.config.settings import load_settings

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
CONTAINERS = DEPLOY / "containers"
COMPOSE: dict[str, Any] = yaml.safe_load((CONTAINERS / "compose.yaml").read_text(encoding="utf-8"))
ROLES: dict[str, Any] = yaml.safe_load((CONTAINERS / "roles.yaml").read_text(encoding="utf-8"))
"""Goes over it."""
MADE_BY_THE_USER = {"certs", "monitord.passwd", "secrets.env", "postgresql.env"}
WORST_EXPOSURE = 2.0
"""Of 10, as systemd-analyze(1) counts: "OK" is under 5; ours is 1.4 and was so when this was written."""


def program(name: str) -> str:
    found = shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    assert found, f"this test needs {name}; `python3 deploy/bootstrap.py test` installs it"
    return found


@pytest.fixture
def certificate(tmp_path: Path) -> Path:
    command = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=drying.example.org"
    names = "subjectAltName=DNS:drying.example.org,IP:127.0.0.1"
    subprocess.run(
        ["openssl", *command.split(), "-addext", names, "-keyout", "server.key", "-out", "server.pem"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    return tmp_path / "server.pem"


# --- the service --------------------------------------------------------------------------------------------


def test_the_service_has_few_rights() -> None:
    command = [program("systemd-analyze"), "security", "--offline=true", "--no-pager", str(DEPLOY / "monitord.service")]
    said = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False).stdout
    found = re.search(r"Overall exposure level for monitord.service: ([\d.]+)", said)
    assert found is not None, said
    assert float(found[1]) < WORST_EXPOSURE


def test_the_services_of_shared_work_are_made_from_it_as_the_guide_says(tmp_path: Path) -> None:
    guide = (ROOT / "monitord" / "daemon" / "ROLES.md").read_text(encoding="utf-8")
    found = re.search(r"^    for role in .*?ingest@\.service$", guide, re.DOTALL | re.MULTILINE)
    assert found is not None
    script = found[0].replace("/etc/systemd/system", str(tmp_path))
    subprocess.run(["sh", "-euc", script], cwd=ROOT, check=True, timeout=30)
    single = (DEPLOY / "monitord.service").read_text(encoding="utf-8").splitlines()
    for name, words in {
        "monitord-assess": "--role assess",
        "monitord-notify": "--role notify",
        "monitord-web": "--role web",
        "monitord-ingest@": "--role ingest --name %i",
    }.items():
        folder = name.replace("@", "-%i")
        made = (tmp_path / f"{name}.service").read_text(encoding="utf-8").splitlines()
        assert [line for line in made if line not in single] == [
            f"ExecStart=/opt/monitord/.venv/bin/monitord --config %d/monitord.toml run {words}",
            f"StateDirectory={folder}",
            f"WorkingDirectory=/var/lib/{folder}",
        ]


# --- containers ---------------------------------------------------------------------------------------------


def steps(unit: str) -> tuple[list[str], list[str]]:
    """The commands of the unit's head: to install it, and to remove it."""
    blocks = re.findall(r"(?:^#   .+\n)+", unit, re.MULTILINE)
    install, remove = ([line[4:].split("  ")[0] for line in block.splitlines()] for block in blocks)
    return install, remove


def test_the_steps_of_the_service_install_it_and_its_removal_leaves_readings_and_settings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As written, below a folder in place of `/`; systemctl only notes what it was asked."""
    unit = (DEPLOY / "monitord.service").read_text(encoding="utf-8")
    tools, asked = tmp_path / "tools", tmp_path / "asked"
    program = tmp_path / "opt/monitord/.venv/bin/monitord"
    data = tmp_path / "var/lib/monitord/monitord.sqlite3"
    for folder in (tools, program.parent, data.parent, tmp_path / "etc/systemd/system"):
        folder.mkdir(parents=True)
    for file, script in (
        (tools / "systemctl", f'echo "$*" >> {asked}'),
        (program, f'{sys.executable} -m monitord "$@"'),
    ):
        file.write_text(f"#!/bin/sh\n{script}\n")
        file.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tools}:/usr/bin:/bin")
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{data}")

    def done(commands: list[str]) -> None:
        for command in commands:
            moved = re.sub(r"/(?=etc/|opt/)", f"{tmp_path}/", command)
            subprocess.run(moved, shell=True, check=True, cwd=DEPLOY.parent)

    install, remove = steps(unit)
    done(install)
    installed = (tmp_path / "etc/systemd/system/monitord.service").read_text(encoding="utf-8")
    start = re.search(r"^ExecStart=(.+) run$", installed, re.MULTILINE)
    assert start is not None
    assert "LoadCredential=monitord.toml:/etc/monitord/monitord.toml" in installed
    words = start[1].replace("/opt/", f"{tmp_path}/opt/").replace("%d", f"{tmp_path}/etc/monitord").split()
    subprocess.run([*words, "job", "list"], check=True, cwd=DEPLOY.parent, capture_output=True)

    done(remove)
    assert not (tmp_path / "opt/monitord").exists()
    assert not (tmp_path / "etc/systemd/system/monitord.service").exists()
    assert data.is_file()
    assert (tmp_path / "etc/monitord/monitord.toml").is_file()
    assert asked.read_text().splitlines() == [
        "daemon-reload", "enable --now monitord", "disable --now monitord", "daemon-reload"
    ]  # fmt: skip


def test_every_container_has_few_rights_and_shows_only_what_speaks_tls() -> None:
    shown = {}
    over = {name: ROLES["services"].get(name, {}) for name in COMPOSE["services"]}
    assert not any({"read_only", "cap_drop", "security_opt", "ports"} & changed.keys() for changed in over.values())
    for name, service in {**ROLES["services"], **COMPOSE["services"]}.items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        shown[name] = service.get("ports", [])
    assert {name: ports for name, ports in shown.items() if ports} == {"broker": ["8883:8883"], "proxy": ["443:8443"]}


def test_every_file_that_is_mounted_or_copied_is_there() -> None:
    for service in COMPOSE["services"].values():
        for mount in service["volumes"]:
            source = mount.split(":")[0]
            if source.startswith(".") and Path(source).name not in MADE_BY_THE_USER:
                assert (CONTAINERS / source).is_file(), source
            elif not source.startswith("."):
                assert source in COMPOSE["volumes"]
    for line in (CONTAINERS / "Containerfile").read_text(encoding="utf-8").splitlines():
        if line.startswith("COPY "):
            for source in line.split()[1:-1]:
                assert (ROOT / source).exists(), source


def test_the_daemon_takes_the_settings_of_its_container(monkeypatch: pytest.MonkeyPatch) -> None:
    environment = COMPOSE["services"]["monitord"]["environment"]
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    settings = load_settings(None)
    assert settings.broker.host in COMPOSE["services"]
    assert list(settings.web.trusted_proxies) == [
        f"{COMPOSE['services']['proxy']['networks']['inner']['ipv4_address']}/32"
    ]
    assert settings.web.port == int(re.findall(r"http://monitord:(\d+)", (DEPLOY / "nginx.conf").read_text())[0])


def test_each_role_has_a_container_and_they_share_one_database(monkeypatch: pytest.MonkeyPatch) -> None:
    roles = []
    for name, service in ROLES["services"].items():
        if name == "postgresql":
            continue
        parsed = build_parser().parse_args(service["command"])
        roles += parsed.roles
        environment = COMPOSE["services"].get(name, {}).get("environment", {}) | service["environment"]
        with monkeypatch.context() as patch:
            for variable, value in environment.items():
                patch.setenv(variable, value)
            settings = load_settings(None)
        assert shares_work(settings, parsed.roles, parsed.name)
        assert settings.broker.host in COMPOSE["services"]
        assert urlsplit(settings.database.url).hostname in ROLES["services"]
        assert (name == "monitord") == (parsed.roles == [DaemonRole.WEB]) == ("healthcheck" not in service)
    assert set(roles) == set(DaemonRole)
    assert '"/src${EXTRAS}"' in (CONTAINERS / "Containerfile").read_text(encoding="utf-8")


def test_the_containers_broker_speaks_tls_and_asks_for_a_password(certificate: Path, tmp_path: Path) -> None:
    subprocess.run(["mosquitto_passwd", "-b", "-c", "users", "gw1", "secret"], cwd=tmp_path, check=True)
    made = Mosquitto(tmp_path / "data")
    plain, config = free_port(), tmp_path / "data" / "mosquitto.conf"
    user = next(line for line in config.read_text().splitlines() if line.startswith("user "))
    text = (CONTAINERS / "mosquitto.conf").read_text(encoding="utf-8")
    for ours, series in (
        ("/mosquitto/data/", f"{tmp_path / 'data'}/"),
        ("/mosquitto/config/monitord.passwd", str(tmp_path / "users")),
        ("/mosquitto/config/monitord.acl", str(DEPLOY / "mosquitto.acl")),
        ("/mosquitto/certs/server.pem", str(certificate)),
        ("/mosquitto/certs/server.key", str(certificate.with_name("server.key"))),
        ("listener 1883", f"listener {plain} 127.0.0.1"),
        ("listener 8883", f"listener {made.port} 127.0.0.1"),
    ):
        assert text.count(ours) == 1, ours
        text = text.replace(ours, series)
    config.write_text(f"{user}\n{text}\n")
    send = ["mosquitto_pub", "-V", "5", "-h", "127.0.0.1", "-p", str(made.port), "-q", "1", "-m", "x"]
    send += ["-t", "monitord/gw1/p/reading", "--cafile", str(certificate)]

    def sent(*more: str) -> int:
        return subprocess.run([*send, *more], capture_output=True, timeout=30, check=False).returncode

    with made:
        assert sent("-u", "gw1", "-P", "secret") == 0
        assert sent("-u", "gw1", "-P", "wrong") != 0
        assert sent() != 0


# --- the reverse proxy --------------------------------------------------------------------------------------


class _Echo(http.server.BaseHTTPRequestHandler):
    """Answers with the headers that it was asked with."""

    def do_GET(self) -> None:
        body = "".join(f"{name.lower()}: {value}\n" for name, value in self.headers.items()).encode()
        self.send_response(200)
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing."""


@pytest.fixture
def proxy(certificate: Path, tmp_path: Path) -> Iterator[str]:
    """The proxy's address, with an echo behind it where the daemon would be."""
    behind = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Echo)
    threading.Thread(target=behind.serve_forever, daemon=True).start()
    port = free_port()
    text = (DEPLOY / "nginx.conf").read_text(encoding="utf-8")
    for ours, series in (
        ("listen 8443", f"listen 127.0.0.1:{port}"),
        ("/etc/nginx/certs/server.pem", str(certificate)),
        ("/etc/nginx/certs/server.key", str(certificate.with_name("server.key"))),
        ("http://monitord:8080", f"http://127.0.0.1:{behind.server_address[1]}"),
    ):
        assert ours in text, ours
        text = text.replace(ours, series)
    temporary = "".join(
        f"{kind}_temp_path {tmp_path}/{kind};\n" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    main = f"daemon off;\nmaster_process off;\npid {tmp_path}/pid;\nerror_log {tmp_path}/error.log;\n"
    config = tmp_path / "nginx.conf"
    config.write_text(f"{main}events {{}}\nhttp {{\naccess_log off;\n{temporary}{text}\n}}\n")
    with subprocess.Popen([program("nginx"), "-c", str(config), "-e", f"{tmp_path}/error.log"]) as process:

        def listens() -> bool:
            assert process.poll() is None, (tmp_path / "error.log").read_text()
            with socket.socket() as sock:
                return sock.connect_ex(("127.0.0.1", port)) == 0

        wait_until(listens, "the proxy listens")
        yield f"https://127.0.0.1:{port}/"
        process.terminate()
    behind.shutdown()
    behind.server_close()


def test_the_proxy_speaks_https_and_replaces_what_a_stranger_says_of_himself(proxy: str, certificate: Path) -> None:
    lie = {"x-forwarded-for": "127.0.0.1", "x-forwarded-proto": "http", "host": "drying.example.org"}
    with httpx.Client(verify=ssl.create_default_context(cafile=certificate)) as client:
        found = client.get(proxy, headers={**lie, "x-forwarded-for": "203.0.113.9"}).text
        too_large = client.post(proxy, content=b" " * (2 * 2**20 + 1))
        notes = client.get(f"{proxy}jobs/house/notes", headers={**lie, "x-forwarded-for": "203.0.113.9"}).text
        photos = client.post(f"{proxy}jobs/house/notes", content=b" " * (2 * 2**20 + 1))
    assert "x-forwarded-for: 127.0.0.1\n" in found, "where the request came from, and not what it says"
    assert "203.0.113.9" not in found
    assert "x-forwarded-proto: https\n" in found
    assert "host: drying.example.org\n" in found
    assert notes == found, "the same for the notes"
    assert too_large.status_code == 413
    assert photos.status_code != 413, "photos are larger"


# --- versions, threats --------------------------------------------------------------------------------------


def locked() -> dict[str, str]:
    lines = (DEPLOY / "requirements.lock").read_text(encoding="utf-8").splitlines()
    return dict(line.split("==") for line in lines if line and not line.startswith("#"))


def needed_to_run() -> Iterator[Requirement]:
    """What the program needs, and what that needs, and so on."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    waiting, seen = [Requirement(line) for line in project["dependencies"]], set()
    while waiting:
        one = waiting.pop()
        yield one
        key = (canonicalize_name(one.name), frozenset(one.extras))
        if key in seen:
            continue
        seen.add(key)
        for line in distribution(one.name).requires or []:
            more = Requirement(line)
            if more.marker is None or any(more.marker.evaluate({"extra": extra}) for extra in ("", *one.extras)):
                waiting.append(more)


def test_every_library_that_runs_is_locked_at_a_version_that_fits() -> None:
    versions = locked()
    assert len(versions) > 30
    for one in needed_to_run():
        name = canonicalize_name(one.name)
        assert name in versions, f"{name} is not in deploy/requirements.lock; make it anew (deploy/RELEASE.md)"
        assert one.specifier.contains(versions[name], prereleases=True), f"{name} {versions[name]} is not {one}"


def test_each_threat_names_a_test_that_is_there() -> None:
    rows = [row for row in (DEPLOY / "THREATS.md").read_text(encoding="utf-8").splitlines() if row.startswith("| ")][2:]
    assert len(rows) >= 15
    for row in rows:
        found = re.search(r"`(tests/\S+\.py)::(test_\w+)` \|$", row)
        assert found is not None, row
        assert f"def {found[2]}(" in (ROOT / found[1]).read_text(encoding="utf-8"), row
