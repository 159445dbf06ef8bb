"""An archive of which every byte is accounted for: a ZIP of stored entries whose bytes follow from its files alone.

The manifest comes first and lists name, size and SHA-256 of every other file, so the place of each byte is known before
anything else is trusted, and a changed byte can be laid at the door of one file, headers included.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
import zlib
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

MANIFEST, DIGEST, SIGNATURE = "MANIFEST.json", "MANIFEST.sha256", "SIGNATURE.txt"
WHOLE = "the archive itself"
"""Named where a byte belongs to no file: what follows the last entry."""

_LOCAL, _CENTRAL = 30, 46
"""Bytes of a ZIP's local header and central record, without names (APPNOTE 6.3, 4.3)."""
SIGNATURE_BYTES = 142
"""`ed25519`, public key and signature in base64, spaces and an end of line."""
_SHA_BYTES = 64 + 2 + len(MANIFEST) + 1


class FileEntry(BaseModel):
    """One file of a pack."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, Field(pattern=r"^[a-z0-9._-]+$")]
    bytes: Annotated[int, Field(ge=0, lt=2**31)]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Manifest(BaseModel):
    """What a pack is, and every file of it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal[1] = 1
    program: str
    """Name and version of the program that made it."""
    job: str
    as_of: str
    """The readings received by then are in it; ISO 8601 UTC."""
    readings: int
    """How many rows `readings.csv` has."""
    chain_head: str
    """Last link of the hash chain over those rows."""
    known_sha256: str
    """What a sign-off freezes: over what the verdicts rest on, and the verdicts (`known_digest`)."""
    signed: bool = False
    files: tuple[FileEntry, ...]


class PackFault(BaseModel):
    """Something of a pack is not as it was made."""

    model_config = ConfigDict(frozen=True)

    file: str
    what: str


def entry_of(name: str, content: bytes) -> FileEntry:
    """The manifest's line about a file."""
    return FileEntry(name=name, bytes=len(content), sha256=hashlib.sha256(content).hexdigest())


def digest_line(manifest: bytes) -> bytes:
    """The content of the digest's file, as `sha256sum --check` reads it."""
    return f"{hashlib.sha256(manifest).hexdigest()}  {MANIFEST}\n".encode("ascii")


def archive(manifest: bytes, files: Mapping[str, bytes], signature: bytes | None = None) -> bytes:
    """The bytes of a pack; the same files give the same bytes."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_STORED) as pack:
        entries = [(MANIFEST, manifest), (DIGEST, digest_line(manifest))]
        entries += [] if signature is None else [(SIGNATURE, signature)]
        for name, content in [*entries, *files.items()]:
            info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            info.create_system, info.external_attr = 3, 0o644 << 16
            pack.writestr(info, content)
    return held.getvalue()


def opened(data: bytes) -> tuple[Manifest, bytes, dict[str, bytes], bytes | None] | PackFault:
    """Manifest, its bytes, the other files and the signature of a pack; or the first thing that is not as made."""
    start = _LOCAL + len(MANIFEST)
    if len(data) < start or data[_LOCAL:start] != MANIFEST.encode("ascii"):
        return PackFault(file=MANIFEST, what="it does not stand first: no evidence pack, or its head was changed")
    crc, size = struct.unpack_from("<II", data, 14)
    text = data[start : start + size]
    line_at = start + size + _LOCAL + len(DIGEST)
    if data[line_at : line_at + _SHA_BYTES] != digest_line(text):
        whole = len(text) == size and zlib.crc32(text) == crc
        return PackFault(file=DIGEST if whole else MANIFEST, what="the manifest and its digest do not fit each other")
    try:
        manifest = Manifest.model_validate_json(text)
    except ValidationError as error:
        return PackFault(file=MANIFEST, what=f"it can't be understood: {error.errors()[0]['msg']}")
    return _files(data, manifest, text, line_at + _SHA_BYTES)


def _files(
    data: bytes, manifest: Manifest, text: bytes, at: int
) -> tuple[Manifest, bytes, dict[str, bytes], bytes | None] | PackFault:
    signature = None
    if manifest.signed:
        at += _LOCAL + len(SIGNATURE)
        signature = data[at : at + SIGNATURE_BYTES]
        at += SIGNATURE_BYTES
    files: dict[str, bytes] = {}
    for entry in manifest.files:
        at += _LOCAL + len(entry.name)
        content = data[at : at + entry.bytes]
        at += entry.bytes
        if hashlib.sha256(content).hexdigest() != entry.sha256:
            return PackFault(file=entry.name, what="its SHA-256 is not that of the manifest")
        files[entry.name] = content
    expected = archive(text, files, signature)
    if expected != data:
        return PackFault(file=_owner(manifest, text, expected, data), what="its entry in the archive was changed")
    return manifest, text, files, signature


def _owner(manifest: Manifest, text: bytes, expected: bytes, data: bytes) -> str:
    """The file whose local header or central record holds the first byte that differs."""
    differs = (k for k, (a, b) in enumerate(zip(expected, data, strict=False)) if a != b)
    return owner_of(manifest, text, next(differs, len(expected)))


def owner_of(manifest: Manifest, text: bytes, offset: int) -> str:
    """The file that a byte of a pack belongs to, header and central record included."""
    sizes = [(MANIFEST, len(text)), (DIGEST, _SHA_BYTES)]
    sizes += [(SIGNATURE, SIGNATURE_BYTES)] if manifest.signed else []
    sizes += [(entry.name, entry.bytes) for entry in manifest.files]
    at = 0
    for name, size in sizes:
        at += _LOCAL + len(name) + size
        if offset < at:
            return name
    for name, _ in sizes:
        at += _CENTRAL + len(name)
        if offset < at:
            return name
    return WHOLE
