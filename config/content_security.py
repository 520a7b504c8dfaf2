"""What a page may load and run: files of this server, and nothing written into the page.

Plotly 3-D and plane drawings were watched in a browser under this policy. Its scripts run as they are,
without `unsafe-eval`. It writes four things into the page as style, each allowed here by the hash of its
exact text and nothing else: an empty sheet (its rules are then added by script, which no policy forbids),
an empty `style` attribute, the rendering hints of a heat map, and the sheet of its maps, which we do not
draw. `tests/config/test_content_security.py` fails when another version writes something else.
"""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any

from csp.constants import NONE, SELF, UNSAFE_HASHES


def hash_of(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


EMPTY = hash_of("")
HEAT_MAP_HINTS = hash_of(
    "".join(
        f"image-rendering: {hint}; "
        for hint in (
            "optimizeSpeed",
            "-moz-crisp-edges",
            "-o-crisp-edges",
            "-webkit-optimize-contrast",
            "optimize-contrast",
            "crisp-edges",
            "pixelated",
        )
    )
)
# 24 kB of rules in plotly.min.js of plotly 7.1; only its hash is of interest.
MAP_SHEET = "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='"

POLICY: dict[str, Any] = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src-elem": [SELF, EMPTY, MAP_SHEET],
        # "unsafe-hashes" is the standard's word for "these attributes, by hash": no other passes.
        "style-src-attr": [UNSAFE_HASHES, EMPTY, HEAT_MAP_HINTS],
        "style-src": [SELF],
        # Plotly hands a finished picture on as data: or blob:.
        "img-src": [SELF, "data:", "blob:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "manifest-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "object-src": [NONE],
        "frame-ancestors": [NONE],
    },
}
