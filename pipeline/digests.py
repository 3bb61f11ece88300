"""Short hashes by which a change is known."""

from __future__ import annotations

import hashlib


def digest_of(*parts: str | bytes) -> str:
    """Hash of texts or bytes, 24 hexadecimal digits."""
    return hashlib.sha256(b"\0".join(p.encode() if isinstance(p, str) else p for p in parts)).hexdigest()[:24]
