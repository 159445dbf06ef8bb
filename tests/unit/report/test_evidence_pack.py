"""Evidence packs: whole ones verify and give the same verdicts; any one byte altered is refused, its file named."""

from __future__ import annotations

import hashlib
import io
import json
import re
import subprocess
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from evidence_support import evidence, job
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitord.cli import main
from monitord.clock import SystemClock
from monitord.model.readiness.verdict import Verdict
from monitord.report.archive import MANIFEST, Manifest, PackFault, archive, owner_of
from monitord.report.pack import make_pack
from monitord.report.readings_file import chain_of
from monitord.report.signing import load_key, new_key, public_text, stamped_at
from monitord.report.verify import Checked, verify


@pytest.fixture(scope="module")
def pack() -> bytes:
    return make_pack(evidence())


@pytest.fixture(scope="module")
def key_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("key") / "firm.pem"
    path.write_bytes(new_key())
    return path


@pytest.fixture(scope="module")
def signed(key_file: Path) -> bytes:
    return make_pack(evidence(), load_key(key_file))


def contents(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as opened:
        assert opened.testzip() is None
        return {name: opened.read(name) for name in opened.namelist()}


def test_a_whole_pack_verifies_and_its_verdict_is_computed_again(pack: bytes) -> None:
    checked = verify(pack)
    assert isinstance(checked, Checked)
    assert [(r.element, r.verdict) for r in checked.readiness] == [("slab", Verdict.READY)]
    assert checked.signer is None


def test_the_same_evidence_gives_the_same_bytes(pack: bytes) -> None:
    assert make_pack(evidence()) == pack


def test_an_ordinary_unpacker_and_sha256sum_agree_with_it(pack: bytes, tmp_path: Path) -> None:
    for name, content in contents(pack).items():
        (tmp_path / name).write_bytes(content)
    subprocess.run(["sha256sum", "--check", "--status", "MANIFEST.sha256"], cwd=tmp_path, check=True)
    for entry in json.loads((tmp_path / MANIFEST).read_bytes())["files"]:
        assert hashlib.sha256((tmp_path / entry["name"]).read_bytes()).hexdigest() == entry["sha256"]


def test_the_chain_is_that_of_any_sha256(pack: bytes) -> None:
    header, *lines = contents(pack)["readings.csv"].decode().rstrip("\n").split("\n")
    assert "[degC]" in header
    assert "[UTC]" in header
    link = hashlib.sha256(header.encode()).hexdigest()
    for line in lines:
        link = hashlib.sha256((link + line).encode()).hexdigest()
    manifest = json.loads(contents(pack)[MANIFEST])
    assert (manifest["chain_head"], manifest["readings"]) == (link, len(lines))


@settings(max_examples=150, deadline=None)
@given(where=st.floats(0, 1, exclude_max=True), change=st.integers(1, 255), is_signed=st.booleans())
@example(where=0.0, change=1, is_signed=False)
@example(where=0.9999999, change=255, is_signed=True)
def test_any_one_byte_altered_is_refused_with_its_file_named(
    pack: bytes, signed: bytes, where: float, change: int, is_signed: bool
) -> None:
    whole = signed if is_signed else pack
    at = int(where * len(whole))
    altered = whole[:at] + bytes([whole[at] ^ change]) + whole[at + 1 :]
    text = contents(whole)[MANIFEST]
    fault = verify(altered)
    assert isinstance(fault, PackFault)
    assert fault.file == owner_of(Manifest.model_validate_json(text), text, at)


def test_every_byte_of_the_heads_is_guarded(pack: bytes) -> None:
    """The manifest's entry, its digest's, and the end: each of their bytes by itself."""
    text = contents(pack)[MANIFEST]
    manifest = Manifest.model_validate_json(text)
    last = len(pack)
    for at in [*range(30 + len(MANIFEST)), *range(43 + len(text), 43 + len(text) + 200), *range(last - 60, last)]:
        altered = pack[:at] + bytes([pack[at] ^ 0x10]) + pack[at + 1 :]
        fault = verify(altered)
        assert isinstance(fault, PackFault), at
        assert fault.file == owner_of(manifest, text, at), at


@pytest.mark.parametrize("cut", [0, 10, 50, -1, -22])
def test_a_pack_cut_short_or_with_more_behind_it_is_refused(pack: bytes, cut: int) -> None:
    assert isinstance(verify(pack[:cut] if cut else b""), PackFault)
    assert isinstance(verify(pack + b"\0"), PackFault)


def altered_inside(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """A pack made whole again around a changed file, as somebody would who knows how packs are made."""
    files = contents(data)
    assert old in files[name]
    files[name] = files[name].replace(old, new, 1)
    manifest = json.loads(files.pop(MANIFEST))
    files.pop("MANIFEST.sha256")
    signature = files.pop("SIGNATURE.txt", None)
    for entry in manifest["files"]:
        content = files[entry["name"]]
        entry.update(bytes=len(content), sha256=hashlib.sha256(content).hexdigest())
    manifest["chain_head"] = chain_of(files["readings.csv"].decode())[1]
    return archive((json.dumps(manifest, sort_keys=True, indent=2) + "\n").encode(), files, signature)


def test_a_pack_made_whole_around_a_changed_verdict_is_refused(pack: bytes) -> None:
    fault = verify(altered_inside(pack, "readiness.json", b'"ready"', b'"not_ready"'))
    assert isinstance(fault, PackFault)


def test_a_signature_stands_for_the_firm(signed: bytes, key_file: Path, tmp_path: Path) -> None:
    public = public_text(load_key(key_file))
    checked = verify(signed, public)
    assert isinstance(checked, Checked)
    assert checked.signer == public
    other = tmp_path / "other.pem"
    other.write_bytes(new_key())
    fault = verify(signed, public_text(load_key(other)))
    assert isinstance(fault, PackFault)
    assert "another key" in fault.what
    fault = verify(altered_inside(signed, "placements.csv", b"p-s1", b"p-s9"))
    assert isinstance(fault, PackFault)
    assert fault.file == "SIGNATURE.txt"


def test_an_unsigned_pack_is_not_taken_where_a_signature_is_asked(pack: bytes) -> None:
    fault = verify(pack, "AAAA")
    assert isinstance(fault, PackFault)
    assert "not signed" in fault.what


def test_a_slab_over_its_limit_verifies_as_not_ready() -> None:
    checked = verify(make_pack(evidence(rh_pct=84.0)))
    assert isinstance(checked, Checked)
    assert [r.verdict for r in checked.readiness] == [Verdict.NOT_READY]


def test_text_that_a_spreadsheet_would_run_is_disarmed(pack: bytes) -> None:
    assert job().spots[0].note.startswith("=")
    assert b"'=HYPERLINK(1)" in contents(pack)["spot-readings.csv"]


AUTHORITY = """[tsa]
default_tsa = t
[t]
serial = ./serial
signer_digest = sha256
default_policy = 1.2.3.4
digests = sha256
"""


def test_a_time_stamp_beside_a_pack_is_read_and_openssl_verifies_it(
    pack: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An authority of our own, by openssl (RFC 3161)."""

    def openssl(command: str) -> None:
        subprocess.run(["openssl", *command.split()], cwd=tmp_path, check=True, capture_output=True)

    (tmp_path / "tsa.cnf").write_text(AUTHORITY)
    (tmp_path / "serial").write_text("01\n")
    (tmp_path / "p.zip").write_bytes(pack)
    key = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=a -keyout k.pem -out c.pem"
    openssl(f"{key} -addext extendedKeyUsage=critical,timeStamping")
    openssl("ts -query -data p.zip -sha256 -cert -out p.tsq")
    openssl("ts -reply -config tsa.cnf -section t -queryfile p.tsq -signer c.pem -inkey k.pem -out p.tsr")

    told = ["evidence", "verify", str(tmp_path / "p.zip"), "--timestamp", str(tmp_path / "p.tsr")]
    before = SystemClock().now() - timedelta(minutes=5)
    assert main(told) == 0
    said = capsys.readouterr().out
    stated = re.search(r"there at (\S+), as it states", said)
    assert stated is not None
    assert before < datetime.fromisoformat(stated[1]) <= SystemClock().now()
    command = next(line for line in said.splitlines() if line.startswith("  openssl"))
    openssl(command.replace("AUTHORITY.pem", "c.pem").strip().removeprefix("openssl "))

    (tmp_path / "p.zip").write_bytes(make_pack(evidence(rh_pct=71.0)))
    assert main(told) == 1
    assert "not a time stamp of" in capsys.readouterr().err
    assert stamped_at(b"", pack) is None
