"""The fetch of measured terrain: by hash, whole or not at all, and without running a package's code."""

from __future__ import annotations

import hashlib
import io
import lzma
import pickle
import tarfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import terrain

RAN = "the-package-was-run"


def sdist(folder: Path) -> Path:
    """A source package whose build would leave a mark."""
    path = folder / "ground-1.0.tar.gz"
    files = {
        "PKG-INFO": "Metadata-Version: 2.1\nName: ground\nVersion: 1.0\n",
        "setup.py": f"from pathlib import Path\nPath({str(folder / RAN)!r}).write_text('')\n",
        "data/heights.csv": "1,2,3\n",
    }
    with tarfile.open(path, "w:gz") as archive:
        for name, text in files.items():
            info = tarfile.TarInfo(f"ground-1.0/{name}")
            info.size = len(text)
            archive.addfile(info, io.BytesIO(text.encode()))
    return path


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> terrain.Package:
    """A package in a registry of one folder, and an empty cache."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(tmp_path))
    digest = hashlib.sha256(sdist(tmp_path).read_bytes()).hexdigest()
    made = terrain.Package("ground", "1.0", digest, "sdist", {"heights.csv": "ground-1.0/data/heights.csv"})
    monkeypatch.setattr(terrain, "PACKAGES", (made,))
    return made


def test_a_file_is_fetched_and_nothing_of_the_package_is_run(
    package: terrain.Package, tmp_path: Path
) -> None:
    assert terrain.missing() == [package]
    assert terrain.main() == 0
    assert terrain.path_of("heights.csv").read_text() == "1,2,3\n"
    assert terrain.missing() == []
    assert [path.name for path in terrain.cache().iterdir()] == ["heights.csv"]
    assert not (tmp_path / RAN).exists()


def test_another_hash_is_refused_and_said(
    package: terrain.Package, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(terrain, "PACKAGES", (replace(package, sha256="0" * 64),))
    assert terrain.main() == 0
    assert "terrain: cannot be had: ground 1.0" in capsys.readouterr().out
    with pytest.raises(terrain.NotToBeHad, match=r"python -m tests\.terrain"):
        terrain.path_of("heights.csv")


def test_an_unknown_name_is_a_mistake_of_the_test(package: terrain.Package) -> None:
    with pytest.raises(KeyError, match=r"nowhere\.csv"):
        terrain.path_of("nowhere.csv")


def packed(table: np.ndarray) -> bytes:
    return lzma.compress(pickle.dumps(bytearray(table.astype("<i8").tobytes()), protocol=5))


def test_the_grid_is_read_without_running_the_pickle() -> None:
    table = np.arange(62 * 87).reshape(62, 87)
    table[0] = np.arange(1, 88)
    lines = terrain.volcano_grid(packed(table)).decode().splitlines()
    assert len(lines) == 87
    assert lines[0] == ",".join(str(87 * column) for column in range(1, 62))
    assert lines[86].startswith("173,260,")


def test_another_layout_of_the_grid_is_refused() -> None:
    with pytest.raises(ValueError, match="row number"):
        terrain.volcano_grid(packed(np.zeros((62, 87))))
