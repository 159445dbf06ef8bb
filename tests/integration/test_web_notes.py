"""Notes and photos through the application: who may, what is kept, what is refused, what goes with the job."""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
import web_support as support
from PIL import Image
from starlette.testclient import TestClient

from monitord.model.access import Role
from monitord.report.verify import Checked, verify
from monitord.store import notes
from monitord.store.access import audit
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.maintenance.backup import make_backup

JOB = "mill-lane-4"
PATH = f"/jobs/{JOB}/notes"


def picture(colour: str = "red") -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (640, 480), colour).save(held, "JPEG")
    return held.getvalue()


def send(client: TestClient, *files: tuple[str, bytes], **fields: str) -> int:
    parts = [("photos", (name, data, "image/jpeg")) for name, data in files]
    parts = parts or [("photos", ("", b"", "application/octet-stream"))]  # as a browser sends an empty field
    return client.post(PATH, data=fields, files=parts, follow_redirects=False).status_code


def kept(site: support.Site) -> list[notes.Note]:
    with site.db.read() as conn:
        return notes.notes_of(conn, JOB)


def test_a_note_with_photos_is_kept_once_and_shown(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    said = {"text": "Stain <b>behind</b> the unit", "location": "utility", "pressed": "2026-11-24T07:00:00Z"}
    for _ in range(2):  # a phone that heard no answer sends it again
        assert send(client, ("../../etc/passwd.jpg", picture()), ("b.jpg", picture("blue")), **said) == 303
    (note,) = kept(site)
    assert (note.by, note.location, note.at) == ("Test technician", "utility", datetime(2026, 11, 24, 7, tzinfo=UTC))
    assert len(note.photos) == 2
    for path in (PATH, f"/jobs/{JOB}", f"/jobs/{JOB}/locations/utility"):
        page = site.client(Role.VIEWER).get(path).text
        assert "Stain &lt;b&gt;behind&lt;/b&gt; the unit" in page, path
        assert page.count(f"/jobs/{JOB}/photos/") == 4, path
    assert "Stain" not in client.get(f"/jobs/{JOB}/locations/hall").text
    with site.db.read() as conn:
        (entry,) = audit.entries(conn, job=JOB)
    assert (entry.who, entry.what) == ("Test technician", "added a note")


def test_a_photo_is_answered_as_a_picture_and_only_under_its_job(site: support.Site) -> None:
    other = support.MILL_LANE.model_copy(update={"job": "quay-9", "probes": ()})
    with site.db.write() as conn:
        apply_job(conn, other)
    send(site.client(), ("a.jpg", picture()), text="a")
    digest = kept(site)[0].photos[0].digest
    viewer = site.client(Role.VIEWER)
    large, small = (viewer.get(f"/jobs/{JOB}/photos/{digest}{more}") for more in ("", "?small=1"))
    assert (large.headers["content-type"], large.headers["x-content-type-options"]) == ("image/jpeg", "nosniff")
    assert "default-src 'none'" in large.headers["content-security-policy"]
    assert Image.open(io.BytesIO(large.content)).size == (640, 480)
    assert Image.open(io.BytesIO(small.content)).size == (320, 240)
    for path in (f"/jobs/quay-9/photos/{digest}", f"/jobs/{JOB}/photos/..%2f..%2fetc%2fpasswd"):
        assert viewer.get(path).status_code in (403, 404), path


@pytest.mark.parametrize(
    ("files", "fields", "why"),
    [
        ([("x.jpg", b"<svg onload='alert(1)'/>")], {"text": "a"}, "“x.jpg” was not taken. It is no JPEG"),
        ([("ok.jpg", picture()), ("x.jpg", b"<html>")], {"text": "a"}, "Nothing was saved"),
        ([], {"text": "  "}, "Write something, or choose a photo"),
        ([], {"text": "a" * 2001}, "at most 2000 are kept"),
        ([], {"text": "a", "location": "nowhere"}, "Choose a location of this job"),
        ([(f"{n}.jpg", picture()) for n in range(7)], {"text": "a"}, "At most 6 photos"),
    ],
)
def test_nothing_is_kept_where_something_is_refused(
    site: support.Site, files: list[tuple[str, bytes]], fields: dict[str, str], why: str
) -> None:
    client = site.client()
    parts = [("photos", (name, data, "image/jpeg")) for name, data in files] or [("photos", ("", b"", "x/y"))]
    answer = client.post(PATH, data=fields, files=parts, follow_redirects=False)
    assert answer.status_code == 422
    assert why in answer.text
    assert kept(site) == []


def test_a_job_holds_no_more_photos_than_it_may(site: support.Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notes, "MAX_PHOTOS", 2)
    client = site.client()
    assert send(client, ("a.jpg", picture()), ("b.jpg", picture("blue")), text="two") == 303
    assert send(client, ("c.jpg", picture("green")), text="one too many") == 422
    assert send(client, text="words alone") == 303
    assert [len(note.photos) for note in kept(site)] == [0, 2]


def test_a_form_with_files_carries_the_word_of_its_page_first(site: support.Site) -> None:
    client = site.client()
    word = client.headers.pop("x-form-token")
    assert word in client.get(PATH).text

    def asked(word: str, before: bytes = b"") -> int:
        part = b'--XX\r\nContent-Disposition: form-data; name="form_token"\r\n\r\n' + word.encode() + b"\r\n"
        text = b'--XX\r\nContent-Disposition: form-data; name="text"\r\n\r\nhello\r\n--XX--\r\n'
        headers = {"content-type": "multipart/form-data; boundary=XX"}
        return client.post(PATH, content=before + part + text, headers=headers, follow_redirects=False).status_code

    assert asked("0" * 40) == 403
    assert asked(word, b'--XX\r\nContent-Disposition: form-data; name="x"\r\n\r\n1\r\n') == 403
    assert kept(site) == []
    assert asked(word) == 303


def test_a_body_without_bounds_is_refused_before_it_is_read(site: support.Site) -> None:
    client = site.client()
    for path, size in ((PATH, 48_000_001), (f"/jobs/{JOB}/place", 16_385), (f"/jobs/{JOB}/notes/1/delete", 16_385)):
        assert client.post(path, headers={"content-length": str(size)}).status_code == 413, path


def test_a_note_is_deleted_with_its_photos_and_that_is_on_record(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    send(client, ("a.jpg", picture()), text="a mistake")
    (note,) = kept(site)
    assert site.client(Role.VIEWER).post(f"{PATH}/{note.id}/delete").status_code == 403
    assert client.post(f"{PATH}/{note.id}/delete", follow_redirects=False).status_code == 303
    assert client.post(f"{PATH}/{note.id}/delete", follow_redirects=False).status_code == 404
    assert kept(site) == []
    assert client.get(f"/jobs/{JOB}/photos/{note.photos[0].digest}").status_code == 404
    with site.db.read() as conn:
        assert "a mistake" in audit.entries(conn, job=JOB)[0].detail


def test_a_backup_holds_the_photos(site: support.Site, tmp_path: Path) -> None:
    send(site.client(), ("a.jpg", picture()), text="a")
    digest = kept(site)[0].photos[0].digest
    made = make_backup(tmp_path / "web.sqlite3", tmp_path / "copies", support.NOW, keep=1)
    copy = Database.open(f"sqlite:///{made.path}")
    with copy.read() as conn:
        held = notes.picture_bytes(conn, JOB, digest)
    copy.close()
    assert held is not None
    assert re.fullmatch(rb"\xff\xd8.+\xff\xd9", held, re.DOTALL)


def test_the_evidence_and_the_report_hold_the_notes_and_their_photos(site: support.Site) -> None:
    send(site.client(), ("a.jpg", picture()), text="=Stain #panic() behind the unit", location="utility")
    digest = kept(site)[0].photos[0].digest
    data = site.client().get(f"/jobs/{JOB}/evidence.zip").content
    assert isinstance(verify(data), Checked)
    with zipfile.ZipFile(io.BytesIO(data)) as pack:
        assert hashlib.sha256(pack.read(f"photo-{digest[:16]}.jpg")).hexdigest() == digest
        noted = pack.read("notes.csv").decode()
    assert f"2026-11-24T07:20:00Z,utility,Test owner,'=Stain #panic() behind the unit,{digest}" in noted
    report = pypdf.PdfReader(io.BytesIO(site.client().get(f"/jobs/{JOB}/report.pdf").content))
    text = " ".join(" ".join(page.extract_text() for page in report.pages).split())
    assert "Notes and photos" in text
    assert "=Stain #panic() behind the unit" in text
    assert sum(len(page.images) for page in report.pages) == 1
