"""Bytes as received → UTF-8 bytes with `\\n` line ends, or a refusal that says why it is no text."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

import numpy as np

from compute.errors import FileEmpty, FileNotText
from compute.pointfiles.values import holds_something

_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
"""Bytes that no point file holds. The reader uses one of them (0x1f) as its own delimiter."""


@dataclass(frozen=True)
class Decoded:
    """body: UTF-8, `\\n` line ends, no byte-order mark; encoding: what the file was in."""

    body: bytes
    encoding: str
    remarks: tuple[str, ...] = ()


def decode(data: bytes, name: str) -> Decoded:
    """Read UTF-8 (with or without byte-order mark), UTF-16 with a byte-order mark, or Windows-1252.

    Windows-1252 (Latin-1 with its printable signs) is tried last and said in a remark; it can touch
    names, codes and notes only, because a coordinate outside ASCII is not a number anyway.
    Raises FileEmpty, FileNotText.
    """
    if not data:
        raise FileEmpty(f"{name} is empty (0 bytes). Nothing was imported.", where=name)
    body, encoding, remarks = _to_utf8(data, name)
    body = body.rstrip(b"\x1a")  # some field computers still end a text file with this mark
    bad = _CONTROL.search(body) if _may_hold_control(body) else None
    if bad:
        line = len(re.findall(rb"\r\n|\r|\n", body[: bad.start()])) + 1
        raise FileNotText(
            f"{name} is not text: line {line} holds the control byte 0x{bad.group()[0]:02x}. "
            "Nothing was imported.",
            where=f"{name} line {line}",
        )
    if b"\r" in body:
        body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return Decoded(body, encoding, remarks)


def _may_hold_control(body: bytes) -> bool:
    # counting is ten times as fast as searching, and a point file has nothing to find
    low = int(np.count_nonzero(np.frombuffer(body, dtype=np.uint8) < 0x20))
    return low != body.count(b"\n") + body.count(b"\r") + body.count(b"\t") or b"\x7f" in body


def _to_utf8(data: bytes, name: str) -> tuple[bytes, str, tuple[str, ...]]:
    if data.isascii():
        return data, "utf-8", ()
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _from_utf16(data, name), "utf-16", ()
    if data.startswith(codecs.BOM_UTF8):
        data = data[len(codecs.BOM_UTF8) :]
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as fault:
        return _from_windows_1252(data, name, fault)
    return data, "utf-8", ()


def _from_utf16(data: bytes, name: str) -> bytes:
    try:
        return data.decode("utf-16").encode("utf-8")
    except UnicodeDecodeError as fault:
        raise FileNotText(
            f"{name} begins like UTF-16 text but byte {fault.start} does not fit. Nothing was imported.",
            where=f"{name} byte {fault.start}",
        ) from fault


def _from_windows_1252(
    data: bytes, name: str, fault: UnicodeDecodeError
) -> tuple[bytes, str, tuple[str, ...]]:
    line = data.count(b"\n", 0, fault.start) + 1
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as second:
        raise FileNotText(
            f"{name} is not text: byte 0x{data[second.start]:02x} fits neither UTF-8 nor Windows-1252. "
            "Nothing was imported.",
            where=f"{name} byte {second.start}",
        ) from second
    remark = f"The file is not UTF-8 (see line {line}); names, codes and notes were read as Windows-1252."
    return text.encode("utf-8"), "windows-1252", (remark,)


def sample_lines(body: bytes, wanted: int = 500) -> list[tuple[int, str]]:
    """The first lines that hold something, as (line number from 1, text): no blank or comment lines."""
    size = 1 << 16
    while True:
        head = body[:size]
        whole = len(head) == len(body)
        if not whole:
            head = head[: head.rfind(b"\n") + 1]
        lines = head.decode("utf-8").split("\n")
        kept = [(number, line) for number, line in enumerate(lines, start=1) if holds_something(line)]
        if whole or len(kept) >= wanted:
            return kept[:wanted]
        size *= 8
