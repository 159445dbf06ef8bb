"""Packed pages unpack to what they were: by Python's own gzip, and by the program of that name."""

from __future__ import annotations

import gzip
import shutil
import subprocess

import pytest

from monitord.web.middleware.packing import DRAWING, Packer

CHART = DRAWING + b"<svg>" + b"M1.5 2.5" * 5000 + b"</svg></div>"
PAGES = [
    b"",
    b"<p>none</p>",
    CHART,
    b"<p>before</p>" + CHART + b"<p>between</p>" + CHART + b"<p>after</p>" * 4000,
    b"<p>cut off</p>" + DRAWING + b"<svg>",
]


@pytest.mark.parametrize("page", PAGES)
def test_what_is_packed_unpacks_to_the_same(page: bytes) -> None:
    packer = Packer()
    for _ in range(2):
        packed = packer.packed(page)
        assert gzip.decompress(packed) == page
        program = shutil.which("gzip")
        assert program is not None
        assert subprocess.run([program, "-dc"], input=packed, capture_output=True, check=True).stdout == page
    assert len(packed) < 400 + len(page) / 20
