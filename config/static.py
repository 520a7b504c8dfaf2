"""Scripts that Python packages carry outside a `static` folder."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

# public name: (package, path inside it). Nothing else of the package is served.
PACKAGE_FILES = {"plotly/plotly.min.js": ("plotly", "package_data/plotly.min.js")}


def package_file(package: str, inside: str) -> Path:
    # find_spec does not run the package: importing plotly would cost every start a second.
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(f"The package {package} is not installed; install the lock file.")
    return Path(spec.submodule_search_locations[0]) / inside


class OneFileStorage(FileSystemStorage):
    """Serves one file under its public name, for `collectstatic`."""

    def __init__(self, name: str, file: Path) -> None:
        super().__init__(location=str(file.parent))
        self.public_name = name
        self.file = file
        self.prefix = ""

    def path(self, name: str) -> str:
        if name != self.public_name:
            raise FileNotFoundError(name)
        return str(self.file)


class PackageFileFinder(BaseFinder):
    """Finds the files of `PACKAGE_FILES`."""

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> str | list[str]:
        place = PACKAGE_FILES.get(path)
        if place is None:
            return []
        file = str(package_file(*place))
        return [file] if find_all else file

    def list(self, ignore_patterns: Any) -> Iterator[tuple[str, OneFileStorage]]:
        for name, place in PACKAGE_FILES.items():
            yield name, OneFileStorage(name, package_file(*place))
