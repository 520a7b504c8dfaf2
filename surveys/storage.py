"""Bytes as received: hashed while they stream in, kept once per organization, never rewritten.

A file reaches its final name only when all its bytes are safe on disk (or in the object store), and
its row is written only after that. A crash between the two leaves bytes without a row, which the
next receipt of the same bytes takes over; it never leaves a row without bytes.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files import File
from django.core.files.storage import FileSystemStorage, Storage, storages
from django.utils import timezone

from surveys.errors import EvidenceDamaged, EvidenceMissing, FileTooLarge
from surveys.models import StoredFile

PIECE_BYTES = 1 << 20


@dataclass(frozen=True)
class Arrived:
    """Bytes in a temporary file of this machine, hashed and counted on the way in."""

    path: Path
    sha256: str
    bytes: int


def receive(organization: Any, name: str, source: Any, by: Any) -> tuple[StoredFile, bool]:
    """Keep the bytes of `source` (bytes, or anything that yields or reads them) for `organization`.

    Returns the row and whether it is new; the same bytes again give the row of the first receipt,
    whatever name they come under. Raises `FileTooLarge`; nothing is kept then.
    """
    limit = settings.UPLOAD_LIMIT_BYTES
    with arriving(pieces_of(source), plain_name(name), limit) as arrived:
        path = evidence_path(organization.pk, arrived.sha256)
        place(arrived, path)
        return StoredFile.objects.get_or_create(
            organization=organization,
            sha256=arrived.sha256,
            defaults={
                "bytes": arrived.bytes,
                "name": plain_name(name),
                "path": path,
                "received_by": by,
                "received_at": timezone.now(),
            },
        )


def read_bytes(stored: StoredFile) -> bytes:
    """The bytes as received, checked against their hash. Raises `EvidenceMissing`, `EvidenceDamaged`."""
    return read_checked(stored.path, stored.sha256, stored.name)


def keep_derived(organization_id: int, data: bytes) -> tuple[str, str]:
    """Keep bytes that were worked out, such as the geometry of a drawing; returns their path and SHA-256."""
    sha256 = hashlib.sha256(data).hexdigest()
    path = f"derived/{organization_id}/{sha256[:2]}/{sha256}"
    with arriving(iter([data]), path, None) as arrived:
        place(arrived, path)
    return path, sha256


def read_checked(path: str, sha256: str, name: str) -> bytes:
    """Bytes at `path` if their hash is `sha256`; a number is never worked out from any others."""
    try:
        with store().open(path, "rb") as kept:
            data: bytes = kept.read()
    except FileNotFoundError:
        raise EvidenceMissing(
            f"The stored bytes of {name} are missing. Nothing can be worked out from them.", where=name
        ) from None
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise EvidenceDamaged(
            f"The stored bytes of {name} have the hash {found[:12]}…, not {sha256[:12]}… as received. "
            "They were changed after receipt and are not used.",
            where=name,
        )
    return data


def store() -> Storage:
    return storages["evidence"]


def evidence_path(organization_id: int, sha256: str) -> str:
    return f"received/{organization_id}/{sha256[:2]}/{sha256}"


def plain_name(name: str) -> str:
    """The last part of a file's name, without control characters: a name is a label, never a path."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    printable = "".join(sign for sign in last if sign.isprintable()).strip()
    return printable[-255:] or "unnamed"


def pieces_of(source: Any) -> Iterator[bytes]:
    if isinstance(source, bytes | bytearray | memoryview):
        return iter([bytes(source)])
    if hasattr(source, "chunks"):
        return iter(source.chunks())
    if hasattr(source, "read"):
        return iter(lambda: source.read(PIECE_BYTES), b"")
    return iter(source)


@contextmanager
def arriving(pieces: Iterable[bytes], name: str, limit: int | None) -> Iterator[Arrived]:
    """Write `pieces` to a temporary file beside the store; it is gone when the block ends."""
    digest, count = hashlib.sha256(), 0
    descriptor, temporary = tempfile.mkstemp(prefix="arriving-", dir=arrivals_folder())
    try:
        with os.fdopen(descriptor, "wb") as out:
            for piece in pieces:
                count += len(piece)
                if limit is not None and count > limit:
                    raise too_large(name, limit)
                digest.update(piece)
                out.write(piece)
            out.flush()
            os.fsync(out.fileno())
        yield Arrived(Path(temporary), digest.hexdigest(), count)
    finally:
        Path(temporary).unlink(missing_ok=True)


def too_large(name: str, limit: int) -> FileTooLarge:
    return FileTooLarge(
        f"{name} is larger than {limit / 2**20:,.1f} MB, the most that is taken in one file. "
        "Nothing of it was kept.",
        where=name,
    )


def place(arrived: Arrived, path: str) -> None:
    """Bring the bytes to their final name in one step. Right bytes already there are left alone."""
    target = local_path(path)
    if target is None:
        place_in_object_store(arrived, path)
        return
    if target.exists() and hash_of(target) == arrived.sha256:
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    arrived.path.chmod(0o440)
    # Renaming within one file system is atomic: a reader sees all the bytes or none.
    os.replace(arrived.path, target)
    sync_folder(target.parent)


def place_in_object_store(arrived: Arrived, path: str) -> None:
    """An object store shows an object only when it is whole, so one upload is already atomic."""
    if store().exists(path) and store().size(path) == arrived.bytes:
        return
    with arrived.path.open("rb") as data:
        kept = store().save(path, File(data, name=path))
    if kept != path:
        # Somebody was faster with the same bytes, and the store chose another name for ours.
        store().delete(kept)


def local_path(path: str) -> Path | None:
    """Where `path` is on this machine's file system; `None` when the store is elsewhere."""
    backend = store()
    return Path(backend.path(path)) if isinstance(backend, FileSystemStorage) else None


def arrivals_folder() -> str | None:
    """A folder on the store's own file system, so that the last step is a rename and not a copy."""
    folder = local_path("arriving")
    if folder is None:
        return None
    folder.mkdir(parents=True, exist_ok=True)
    return str(folder)


def hash_of(path: Path) -> str:
    with path.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def sync_folder(folder: Path) -> None:
    """A new name is safe only when its folder is written too."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
