"""A real InfluxDB for tests: Debian's 1.6 behind an nginx that gives it the address of the second API.

`/api/v2/write` exists from InfluxDB 1.8 on; in 1.6 it is 404. nginx rewrites it to `/write?db=BUCKET`, which takes the
same line protocol, and asks for a token. So the answers to a write (204, 400 with a partial write, 404 for a database
that is not there) are the server's own; 401 is the proxy's.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any, Self

from brokers import wait_until

from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port
from monitord.model.config.influx_settings import StoreSettings
from monitord.store.series.influx.readings import InfluxReadings
from monitord.store.series.keeping import influx_readings

TOKEN = "a token of the tests"

_INFLUX = """
reporting-enabled = false
bind-address = "{host}:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
[monitor]
store-enabled = false
[http]
bind-address = "{host}:{http}"
log-enabled = false
[logging]
level = "warn"
"""

_NGINX = """
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log warn;
worker_processes 1;
events {{}}
http {{
    access_log off;
    client_max_body_size 25m;
    client_body_buffer_size 25m;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    server {{
        listen {host}:{front};
        location = /query {{
            if ($http_authorization != "Token {token}") {{ return 401; }}
            proxy_pass http://{host}:{http};
        }}
        location = /api/v2/write {{
            if ($http_authorization != "Token {token}") {{ return 401; }}
            rewrite ^ /write?db=$arg_bucket&precision=$arg_precision? break;
            proxy_pass http://{host}:{http};
        }}
    }}
}}
"""


def program(name: str) -> str:
    """Where a server is; a test that needs it fails without it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    package = {"influxd": "influxdb", "nginx": "nginx-light"}[name]
    assert found, f"this test needs {name}: apt-get install {package}"
    return found


class Influx:
    """The server and its proxy, on free ports of loopback."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._http, self._front = free_port(), free_port()
        self._server: subprocess.Popen[bytes] | None = None
        self._proxy: subprocess.Popen[bytes] | None = None
        ports = {"host": LOOPBACK, "http": self._http, "front": self._front, "rpc": free_port()}
        names = {**ports, "folder": folder, "token": TOKEN}
        (folder / "influxdb.conf").write_text(_INFLUX.format(**names))
        (folder / "nginx.conf").write_text(_NGINX.format(**names))

    @property
    def url(self) -> str:
        """Where the client of the second API writes to."""
        return f"http://{LOOPBACK}:{self._front}"

    def start(self) -> Self:
        """Start the server, also again on what it kept, and its proxy."""
        with (self._folder / "influxd.log").open("ab") as log:
            self._server = subprocess.Popen(
                [program("influxd"), "run", "-config", str(self._folder / "influxdb.conf")], stdout=log, stderr=log
            )
            wait_until(lambda: self._answers(self._server, self._http), "influxd answers")
            if self._proxy is None:
                command = [program("nginx"), "-p", str(self._folder), "-c", str(self._folder / "nginx.conf")]
                self._proxy = subprocess.Popen(command, stdout=log, stderr=log)
                wait_until(lambda: self._answers(self._proxy, self._front), "nginx answers")
        return self

    def create(self, bucket: str) -> str:
        """Make a database; returns its name."""
        self.ask(f'CREATE DATABASE "{bucket}"', method="POST")
        return bucket

    def rows(self, bucket: str, query: str) -> list[dict[str, Any]]:
        """The rows of a query in InfluxQL, times in milliseconds."""
        answer = self.ask(query, db=bucket, epoch="ms")["results"][0]
        assert "error" not in answer, answer
        return [
            {**series.get("tags", {}), **dict(zip(series["columns"], values, strict=True))}
            for series in answer.get("series", [])
            for values in series["values"]
        ]

    def stop_server(self) -> None:
        """The server goes away; the proxy then answers 502."""
        self._server = _end(self._server)

    def stop(self) -> None:
        """End both."""
        self._server, self._proxy = _end(self._server), _end(self._proxy)

    def ask(self, query: str, method: str = "GET", **parameters: str) -> dict[str, Any]:
        """The server's own answer to a query."""
        words = urllib.parse.urlencode({"q": query, **parameters})
        request = urllib.request.Request(f"http://{LOOPBACK}:{self._http}/query?{words}", method=method)
        with urllib.request.urlopen(request, timeout=20) as answer:
            found: dict[str, Any] = json.load(answer)
        return found

    def _answers(self, process: subprocess.Popen[bytes] | None, port: int) -> bool:
        assert process is not None
        logs = [path.read_text()[-2000:] for path in self._folder.glob("*.log")]
        assert process.poll() is None, f"it ended: {logs}"
        with socket.socket() as sock:
            sock.settimeout(0.5)
            return sock.connect_ex((LOOPBACK, port)) == 0

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()


def _end(process: subprocess.Popen[bytes] | None) -> None:
    if process is not None and process.poll() is None:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


def readings_in(influx: Influx, bucket: str, timeout_s: float = 5.0) -> InfluxReadings:
    """The readings of one bucket."""
    given = {"readings": "influxdb", "url": influx.url, "bucket": bucket, "token": TOKEN, "timeout_s": timeout_s}
    return influx_readings(StoreSettings.model_validate(given))
