"""Notes of a job and their photos.

Photos are rows, in a table of their own, and no files: a backup holds them and is of one moment, a restore brings them
back, a job that is deleted takes them along, and no name of a file can lead anywhere. SQLite reads rows of some hundred
kB about as fast as files (https://www.sqlite.org/intern-v-extern-blob.html); how many there may be is bounded.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, select

from monitord.errors import StoreError
from monitord.store.db.note_tables import note, photo
from monitord.store.db.times import from_ms, to_ms

MAX_NOTES, MAX_PHOTOS = 1000, 200
"""Most notes and photos of a job: 100 MB at the largest photos that are kept (our choice)."""
SMALL_HEIGHT = 96
"""Of a small copy on a page, so that two rows of them fit a phone's width. [px]"""

_n, _p = note.c, photo.c


@dataclass(frozen=True)
class Picture:
    """A photo without its bytes."""

    digest: str
    """SHA-256 of its bytes: its name."""
    width: int
    height: int

    @property
    def small_width(self) -> int:
        """Width of its small copy on a page. [px]"""
        return max(1, round(self.width * SMALL_HEIGHT / self.height))

    @property
    def small_height(self) -> int:
        """Height of its small copy on a page. [px]"""
        return SMALL_HEIGHT


@dataclass(frozen=True)
class NewPicture:
    """A photo that is to be kept."""

    jpeg: bytes
    small: bytes
    width: int
    height: int


@dataclass(frozen=True)
class Note:
    """What a person noted of a job, or of one of its locations."""

    id: int
    location: str | None
    at: datetime
    by: str
    text: str
    photos: tuple[Picture, ...]


def digest_of(picture: NewPicture) -> str:
    """The name that a photo has once it is kept: the SHA-256 of its bytes."""
    return hashlib.sha256(picture.jpeg).hexdigest()


def add_note(
    conn: Connection, job: str, location: str | None, at: datetime, by: str, text: str, photos: Sequence[NewPicture]
) -> int | None:
    """Keep a note and its photos; returns its number, or None where the very same note is there already.

    Raises
    ------
    StoreError : the job has as many notes or photos as it may.
    """
    digests = [digest_of(one) for one in photos]
    for one in notes_of(conn, job):
        same = (one.location, one.at, one.by, one.text) == (location, at, by, text)
        if same and [picture.digest for picture in one.photos] == digests:
            return None
    held = select(func.count()).select_from(note).where(_n.job == job)
    pictures = select(func.count()).select_from(photo.join(note)).where(_n.job == job)
    if conn.execute(held).scalar_one() >= MAX_NOTES or conn.execute(pictures).scalar_one() + len(photos) > MAX_PHOTOS:
        raise StoreError(
            f"a job holds at most {MAX_NOTES} notes and {MAX_PHOTOS} photos", remedy="Delete some that are not needed"
        )
    row = {"job": job, "location": location, "at_ms": to_ms(at), "by": by, "text": text}
    number: int = conn.execute(note.insert().returning(_n.id), row).scalar_one()
    rows = [
        {
            "note": number,
            "position": position,
            "digest": digest,
            "width": one.width,
            "height": one.height,
            "jpeg": one.jpeg,
            "small": one.small,
        }
        for position, (one, digest) in enumerate(zip(photos, digests, strict=True))
    ]
    if rows:
        conn.execute(photo.insert(), rows)
    return number


def notes_of(conn: Connection, job: str) -> list[Note]:
    """The notes of a job, the newest first."""
    pictures: dict[int, list[Picture]] = {}
    columns = (_p.note, _p.digest, _p.width, _p.height)
    wanted = select(*columns).select_from(photo.join(note)).where(_n.job == job).order_by(_p.note, _p.position)
    for row in conn.execute(wanted):
        pictures.setdefault(row.note, []).append(Picture(row.digest, row.width, row.height))
    rows = conn.execute(select(note).where(_n.job == job).order_by(_n.at_ms.desc(), _n.id.desc()))
    return [_note(row, pictures.get(row.id, [])) for row in rows]


def picture_bytes(conn: Connection, job: str, digest: str, *, small: bool = False) -> bytes | None:
    """The JPEG of a photo of a job, if it has one of that name."""
    column = _p.small if small else _p.jpeg
    wanted = select(column).select_from(photo.join(note)).where(_n.job == job, _p.digest == digest).limit(1)
    return conn.execute(wanted).scalar_one_or_none()


def delete_note(conn: Connection, job: str, number: int) -> Note | None:
    """Take a note and its photos away; returns what it was, None where the job has no such note."""
    found = next((one for one in notes_of(conn, job) if one.id == number), None)
    if found is not None:
        conn.execute(delete(photo).where(_p.note == number))
        conn.execute(delete(note).where(_n.id == number))
    return found


def _note(row: Any, photos: list[Picture]) -> Note:
    return Note(row.id, row.location, from_ms(row.at_ms), row.by, row.text, tuple(photos))
