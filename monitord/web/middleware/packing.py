"""Pages packed as gzip (RFC 1952), their drawings once for all: a drawing is most of a page and stays while no reading
lands, so its packed form is kept and set between the packed rest.

That works because a deflate stream (RFC 1951) may be cut at full flushes: what follows refers to nothing before.
"""

from __future__ import annotations

import zlib
from functools import partial

from monitord.web.kept import Kept

LEVEL = 4
"""Half the time of the usual 9 for a page that is a twentieth larger."""
_MAX_BYTES = 24 * 2**20
"""Of packed drawings that are kept. Our choice: those of a thousand charts."""
DRAWING, _DRAWN = b'<div class="drawing">', b"</div>"
_HEAD = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
"""gzip, deflate, no name and no time."""
_END = zlib.compressobj(wbits=-zlib.MAX_WBITS).flush()


class Packer:
    """Packs answers, and keeps the packed form of their drawings."""

    def __init__(self) -> None:
        self._drawings: Kept[bytes] = Kept(_MAX_BYTES, len)

    def packed(self, body: bytes) -> bytes:
        """A body as gzip."""
        first, *parts = body.split(DRAWING)
        packed, plain = [_HEAD], first
        for part in parts:
            drawing, end, rest = part.partition(_DRAWN)
            packed.append(_stretch(plain + DRAWING))
            packed.append(self._drawings.of(drawing, (), partial(_stretch, drawing)))
            plain = end + rest
        size = (zlib.crc32(body)).to_bytes(4, "little") + (len(body) & 0xFFFFFFFF).to_bytes(4, "little")
        return b"".join((*packed, _stretch(plain), _END, size))


def _stretch(text: bytes) -> bytes:
    """A part of a deflate stream that stands for itself."""
    made = zlib.compressobj(LEVEL, wbits=-zlib.MAX_WBITS)
    return made.compress(text) + made.flush(zlib.Z_FULL_FLUSH)
