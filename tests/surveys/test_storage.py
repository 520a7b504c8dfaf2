"""Bytes as received: hashed (against FIPS 180-4's own example), kept once, never rewritten."""

from __future__ import annotations

import hashlib
import os
from typing import Any

import pytest
from django.core.files.storage import storages
from django.core.files.uploadedfile import SimpleUploadedFile

from surveys import storage
from surveys.errors import EvidenceDamaged, EvidenceMissing, FileTooLarge
from surveys.models import StoredFile
from tests.cast import Cast

# FIPS 180-4 (Secure Hash Standard), example computations published with it: SHA-256 of "abc".
ABC_SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

IN_MEMORY = {"BACKEND": "django.core.files.storage.InMemoryStorage"}


@pytest.fixture(params=["file system", "object store"])
def store(request: pytest.FixtureRequest, evidence_store: Any, settings: Any) -> str:
    """Both kinds of store. One without paths on this machine stands for an object store."""
    if request.param == "object store":
        settings.STORAGES = {**settings.STORAGES, "evidence": IN_MEMORY}
    return str(request.param)


def kept_names(folder: str = "received") -> list[str]:
    backend = storages["evidence"]
    found: list[str] = []

    def walk(path: str) -> None:
        folders, files = backend.listdir(path)
        found.extend(f"{path}/{name}" for name in files)
        for name in folders:
            walk(f"{path}/{name}")

    if backend.exists(folder):
        walk(folder)
    return sorted(found)


@pytest.mark.usefixtures("store")
def test_bytes_are_kept_under_their_hash_and_come_back_unchanged(cast: Cast) -> None:
    stored, is_new = storage.receive(cast.a.organization, "abc.txt", b"abc", cast.a.surveyor)
    assert is_new
    assert (stored.sha256, stored.bytes, stored.name) == (ABC_SHA256, 3, "abc.txt")
    assert stored.path.endswith(ABC_SHA256)
    assert storage.read_bytes(stored) == b"abc"


@pytest.mark.usefixtures("store")
def test_the_same_bytes_are_kept_once_whatever_their_name(cast: Cast) -> None:
    first, _ = storage.receive(cast.a.organization, "june.csv", b"abc", cast.a.surveyor)
    second, is_new = storage.receive(cast.a.organization, "copy of june.csv", b"abc", cast.a.lead_surveyor)
    assert not is_new
    assert second == first
    assert (second.name, second.received_by) == ("june.csv", cast.a.surveyor)
    assert kept_names() == [first.path]


@pytest.mark.usefixtures("store")
def test_two_organizations_share_no_bytes(cast: Cast) -> None:
    ours, _ = storage.receive(cast.a.organization, "x.csv", b"abc", cast.a.surveyor)
    theirs, is_new = storage.receive(cast.b.organization, "x.csv", b"abc", cast.outsider)
    assert is_new
    assert ours.path != theirs.path
    assert len(kept_names()) == 2


@pytest.mark.usefixtures("store")
def test_a_file_over_the_limit_leaves_nothing(cast: Cast, settings: Any) -> None:
    settings.UPLOAD_LIMIT_BYTES = 1 << 20
    pieces = iter([b"x" * (1 << 20), b"y"])
    with pytest.raises(FileTooLarge, match=r"huge\.csv is larger than 1\.0 MB"):
        storage.receive(cast.a.organization, "huge.csv", pieces, cast.a.surveyor)
    assert not StoredFile.objects.exists()
    assert kept_names() == []


@pytest.mark.parametrize("limit_reached", [1 << 20, 5])
def test_a_file_of_just_the_limit_is_taken(cast: Cast, settings: Any, limit_reached: int) -> None:
    settings.UPLOAD_LIMIT_BYTES = limit_reached
    stored, _ = storage.receive(cast.a.organization, "full.csv", b"x" * limit_reached, cast.a.surveyor)
    assert stored.bytes == limit_reached


@pytest.mark.usefixtures("evidence_store")
def test_every_way_of_handing_over_bytes_gives_the_same_hash(cast: Cast, tmp_path: Any) -> None:
    data = os.urandom(3 * storage.PIECE_BYTES + 17)
    path = tmp_path / "scan.txt"
    path.write_bytes(data)
    with path.open("rb") as stream:
        sources = [
            data,
            bytearray(data),
            iter([data[:1000], data[1000:]]),
            stream,
            SimpleUploadedFile("a", data),
        ]
        stored = {storage.receive(cast.a.organization, "a", source, cast.a.surveyor)[0] for source in sources}
    assert [one.sha256 for one in stored] == [hashlib.sha256(data).hexdigest()]


def test_no_unfinished_file_stays_behind(cast: Cast, evidence_store: Any) -> None:
    def broken() -> Any:
        yield b"abc"
        raise ConnectionResetError("the line broke")

    with pytest.raises(ConnectionResetError):
        storage.receive(cast.a.organization, "half.csv", broken(), cast.a.surveyor)
    assert [path for path in evidence_store.rglob("*") if path.is_file()] == []


def test_stored_bytes_are_read_only_on_disk(cast: Cast, evidence_store: Any) -> None:
    stored, _ = storage.receive(cast.a.organization, "a.csv", b"abc", cast.a.surveyor)
    assert (evidence_store / stored.path).stat().st_mode & 0o222 == 0


def test_changed_bytes_are_never_used(cast: Cast, evidence_store: Any) -> None:
    stored, _ = storage.receive(cast.a.organization, "a.csv", b"abc", cast.a.surveyor)
    path = evidence_store / stored.path
    path.chmod(0o640)
    path.write_bytes(b"abd")
    with pytest.raises(EvidenceDamaged, match=r"a\.csv have the hash a52d159f262b…, not ba7816bf8f01…"):
        storage.read_bytes(stored)


def test_lost_bytes_are_reported_and_healed_by_sending_them_again(cast: Cast, evidence_store: Any) -> None:
    stored, _ = storage.receive(cast.a.organization, "a.csv", b"abc", cast.a.surveyor)
    (evidence_store / stored.path).unlink()
    with pytest.raises(EvidenceMissing, match=r"a\.csv are missing"):
        storage.read_bytes(stored)
    again, is_new = storage.receive(cast.a.organization, "a.csv", b"abc", cast.a.surveyor)
    assert (again, is_new) == (stored, False)
    assert storage.read_bytes(stored) == b"abc"


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("C:\\field\\june.csv", "june.csv"),
        ("../../etc/passwd", "passwd"),
        ("a\x00b\n.csv", "ab.csv"),
        ("", "unnamed"),
        ("x" * 300 + ".csv", "x" * 251 + ".csv"),
        ("größe 30.csv", "größe 30.csv"),
    ],
)
def test_a_name_is_a_label_and_never_a_path(given: str, kept: str) -> None:
    assert storage.plain_name(given) == kept


@pytest.mark.usefixtures("store")
def test_derived_bytes_are_kept_under_their_hash_too(cast: Cast) -> None:
    path, sha256 = storage.keep_derived(cast.a.organization.pk, b"abc")
    assert sha256 == ABC_SHA256
    assert storage.keep_derived(cast.a.organization.pk, b"abc") == (path, sha256)
    assert storage.read_checked(path, sha256, "geometry") == b"abc"
    assert kept_names("derived") == [path]
