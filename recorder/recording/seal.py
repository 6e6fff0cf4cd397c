"""The line that seals a recording: the SHA-256 of every byte before it."""

from __future__ import annotations

import hashlib

from recorder.recording.annotations import ended

__all__ = ["SEAL", "is_seal", "seal_line", "seal_of"]

SEAL = b"\n# sha256: "  # with the end of the line before


def seal_line(digest: str) -> bytes:
    """As the recorder writes it."""
    return f'# sha256: "{digest}"\n'.encode()


def is_seal(tail: bytes, digest: str) -> bool:
    """Whether the end of a file is the seal of what is before it: its digits may all be capitals."""
    return tail in (seal_line(digest), seal_line(digest.upper()))


def seal_of(data: bytes) -> tuple[bool | None, str | None]:
    """(intact, hash of what stands before the seal) of any bytes, also of those that are no recording any more:
    True or False; None where there is no seal, or one that was cut off."""
    data = ended(data)
    start = data.find(SEAL) + 1
    if not start:
        return None, None
    digest = hashlib.sha256(memoryview(data)[:start]).hexdigest()
    tail = data[start:]
    if is_seal(tail, digest):
        return True, digest
    return (None, None) if seal_line(digest).startswith(tail) else (False, digest)
