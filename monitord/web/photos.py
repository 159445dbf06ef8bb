"""Photos from phones, made harmless: decoded, turned upright, made smaller and written anew as JPEG.

Nothing of the file that came is kept but its picture: no position, no device, no name, and whatever else a file can
hide goes with the bytes it was hidden in.
"""

from __future__ import annotations

import io
import struct
import threading
from dataclasses import dataclass
from typing import BinaryIO

from PIL import Image, ImageOps, UnidentifiedImageError

FORMATS = ("JPEG", "PNG", "WEBP")
MAX_FILE_BYTES = 15 * 1024 * 1024
"""Longest file that is opened. Photos of phones have 2 to 8 MB (common practice). [bytes]"""
MAX_PIXELS = 50_000_000
"""Most pixels that are decoded; a small file can claim any number of them (our choice). [pixels]"""
SIDE, SMALL_SIDE = 1600, 320
"""Longest side of what is kept, and of its small copy: 1 mm of a 2 m wall has almost a pixel. Our choice. [px]"""
MAX_KEPT_BYTES = 500_000
"""What a kept photo has at most. [bytes]"""
_QUALITIES = (82, 70, 55, 40)
_ONE_AT_A_TIME = threading.Lock()
"""A decoded photo takes up to 150 MB: two at once would be too much for a small machine."""


class PhotoError(Exception):
    """A file is no photo that is taken; says why and what to do."""


@dataclass(frozen=True)
class Photo:
    """A photo as it is kept."""

    jpeg: bytes
    small: bytes
    width: int
    height: int


def photo_of(file: BinaryIO) -> Photo:
    """A photo from the file that was sent.

    Raises
    ------
    PhotoError : it is too large, no JPEG, PNG or WebP, or damaged.
    """
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    if size > MAX_FILE_BYTES:
        raise PhotoError(f"It has {size / 1e6:.0f} MB; at most {MAX_FILE_BYTES / 1e6:.0f} MB are taken.")
    with _ONE_AT_A_TIME:
        try:
            return _made(file)
        except UnidentifiedImageError:
            raise PhotoError("It is no JPEG, PNG or WebP picture.") from None
        except (Image.DecompressionBombError, Image.DecompressionBombWarning):
            raise _too_many() from None
        except (OSError, SyntaxError, ValueError, EOFError, struct.error, MemoryError):
            raise PhotoError("It is damaged: it can't be read to its end.") from None


def _made(file: BinaryIO) -> Photo:
    with Image.open(file, formats=FORMATS) as came:
        if came.width * came.height > MAX_PIXELS:
            raise _too_many()
        came.draft("RGB", (SIDE, SIDE))  # a JPEG is decoded at the smallest eighth that suffices
        picture = _plain(ImageOps.exif_transpose(came))
    picture.thumbnail((SIDE, SIDE), Image.Resampling.LANCZOS)
    jpeg = _bounded(picture)
    width, height = picture.size
    picture.thumbnail((SMALL_SIDE, SMALL_SIDE), Image.Resampling.LANCZOS)
    return Photo(jpeg, _written(picture, 75), width, height)


def _too_many() -> PhotoError:
    return PhotoError(f"It claims more than {MAX_PIXELS // 1_000_000} million pixels.")


def _plain(picture: Image.Image) -> Image.Image:
    """The pixels alone, on white where the picture lets through; a new image carries none of the old one's notes."""
    clear = Image.new("RGB", picture.size, "white")
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        clear.paste(seen, mask=seen.getchannel("A"))
    else:
        clear.paste(picture.convert("RGB"))
    return clear


def _written(picture: Image.Image, quality: int) -> bytes:
    held = io.BytesIO()
    picture.save(held, "JPEG", quality=quality, optimize=True, progressive=False)
    return held.getvalue()


def _bounded(picture: Image.Image) -> bytes:
    """As JPEG within its bytes: first at a lower quality, then smaller."""
    while True:
        for quality in _QUALITIES:
            jpeg = _written(picture, quality)
            if len(jpeg) <= MAX_KEPT_BYTES:
                return jpeg
        picture.thumbnail((picture.width * 3 // 4, picture.height * 3 // 4), Image.Resampling.LANCZOS)
