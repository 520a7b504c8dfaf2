"""The key that signs sessions and tokens: given in production, generated once for the demo."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

from config.env import PREFIX


def secret_key(mode: str, given: str | None, data_dir: Path) -> str:
    """The key to sign with. Production without one stops here: nothing could be signed."""
    if given:
        return given
    if mode == "production":
        raise ImproperlyConfigured(
            f"{PREFIX}SECRET_KEY is not set. Production needs a random text of 50 characters or more, for "
            "example from `python -c 'import secrets; print(secrets.token_urlsafe(64))'`; keep it out of "
            "the repository."
        )
    if mode == "test":
        return "only-for-the-test-suite-" + "x" * 40
    return generated_key(data_dir / "secret-key")


def generated_key(path: Path) -> str:
    """The key in `path`, made on the first call. Two processes that start together get the same one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        own = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
        handle = os.open(own, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(64))
        try:
            # A hard link appears whole or not at all, and only once: the first process wins.
            os.link(own, path)
        except FileExistsError:
            pass  # another process made the key between the look and the link: use that one
        finally:
            own.unlink()
    return path.read_text(encoding="ascii")
