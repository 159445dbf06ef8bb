"""Photos are written anew. Held against the file formats themselves: JPEG's markers (ITU-T T.81, annex B), the tags of
Exif 2.32 (orientation 0x0112, position 0x8825), and files that are none or claim what they don't hold."""

from __future__ import annotations

import io
import struct
import zlib

import pytest
from PIL import Image

from monitord.web import photos
from monitord.web.photos import PhotoError, photo_of

SOS, APP0, DHT, DQT, SOF0 = 0xDA, 0xE0, 0xC4, 0xDB, 0xC0


def halves(width: int = 400, height: int = 200, mode: str = "RGB") -> Image.Image:
    """Left half red, right half blue."""
    made = Image.new(mode, (width, height), (0, 0, 255) if mode == "RGB" else (0, 0, 255, 255))
    made.paste((255, 0, 0) if mode == "RGB" else (255, 0, 0, 0), (0, 0, width // 2, height))
    return made


def file_of(picture: Image.Image, kind: str = "JPEG", **more: object) -> io.BytesIO:
    held = io.BytesIO()
    picture.save(held, kind, **more)
    held.seek(0)
    return held


def markers(jpeg: bytes) -> list[int]:
    """The markers of a JPEG up to its picture (ITU-T T.81, B.1.1)."""
    assert jpeg[:2] == b"\xff\xd8"
    at, found = 2, []
    while not found or found[-1] != SOS:
        assert jpeg[at] == 0xFF
        found.append(jpeg[at + 1])
        at += 2 + int(struct.unpack(">H", jpeg[at + 2 : at + 4])[0])
    return found


def test_position_device_and_words_go_and_the_picture_stands_upright() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was turned: the left of the file is the top of the scene
    exif[0x010F] = "A camera maker"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (53.0, 20.0, 59.0)
    came = file_of(halves(), exif=exif, comment=b"kept by nobody")
    assert b"A camera maker" in came.getvalue()
    assert b"kept by nobody" in came.getvalue()
    made = photo_of(came)
    assert (made.width, made.height) == (200, 400)
    for jpeg in (made.jpeg, made.small):
        assert set(markers(jpeg)) <= {APP0, DQT, SOF0, DHT, SOS}, "no application's data, no comment"
        assert b"camera maker" not in jpeg
        assert b"kept by" not in jpeg
    seen = Image.open(io.BytesIO(made.jpeg))
    top, foot = seen.getpixel((100, 50)), seen.getpixel((100, 350))
    assert isinstance(top, tuple)
    assert isinstance(foot, tuple)
    assert (top[0] > 200, top[2] < 60) == (True, True), "red is above"
    assert (foot[2] > 200, foot[0] < 60) == (True, True)


@pytest.mark.parametrize(("kind", "mode"), [("PNG", "RGBA"), ("WEBP", "RGB"), ("PNG", "RGB")])
def test_other_kinds_become_jpeg_and_clear_parts_white(kind: str, mode: str) -> None:
    made = Image.open(io.BytesIO(photo_of(file_of(halves(mode=mode), kind)).jpeg))
    assert (made.format, made.mode, made.size) == ("JPEG", "RGB", (400, 200))
    left = made.getpixel((50, 100))
    assert isinstance(left, tuple)
    assert (min(left) > 240) == (mode == "RGBA")


def test_what_is_kept_is_bounded_in_sides_and_bytes() -> None:
    noise = Image.effect_noise((3000, 2000), 200).convert("RGB")  # the worst there is: nothing in it repeats
    made = photo_of(file_of(noise, quality=60))
    assert max(made.width, made.height) <= photos.SIDE
    assert made.width / made.height == pytest.approx(1.5, rel=0.01)
    assert len(made.jpeg) <= photos.MAX_KEPT_BYTES
    assert max(Image.open(io.BytesIO(made.small)).size) == photos.SMALL_SIDE


def png_that_claims(width: int, height: int) -> bytes:
    """A PNG of some bytes whose head claims many pixels (PNG, 11.2.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")


JPEG = file_of(halves()).getvalue()


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "no JPEG, PNG or WebP"),
        (b"<!doctype html><script>alert(1)</script>", "no JPEG, PNG or WebP"),
        (b"GIF89a" + bytes(100), "no JPEG, PNG or WebP"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "no JPEG, PNG or WebP"),
        (b"", "no JPEG, PNG or WebP"),
        (png_that_claims(60_000, 60_000), "million pixels"),
        (png_that_claims(9_000, 9_000), "million pixels"),
        (png_that_claims(100, 100), "damaged"),
        (JPEG[: len(JPEG) // 2], "damaged"),
        (b"\xff\xd8" + bytes(photos.MAX_FILE_BYTES), "MB are taken"),
    ],
    ids=["svg", "html", "gif", "eps", "nothing", "bomb", "large bomb", "short", "cut off", "too long"],
)
def test_what_is_no_photo_is_refused_with_the_reason(data: bytes, why: str) -> None:
    with pytest.raises(PhotoError, match=why):
        photo_of(io.BytesIO(data))


def test_a_page_behind_a_pictures_head_is_not_kept() -> None:
    """A file that is a picture and a page at once loses the page."""
    made = photo_of(io.BytesIO(JPEG + b"<script>alert(1)</script>"))
    assert b"script" not in made.jpeg + made.small
