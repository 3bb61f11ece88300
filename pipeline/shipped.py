"""Where the files lie that travel with the code: beside it in a checkout, inside the package in a wheel."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


def shipped(folder: str) -> Path:
    """The folder `sql` or `sample_logs`. Raises `FileNotFoundError` where the installation is incomplete."""
    for place in (PACKAGE / f"_{folder}", PACKAGE.parent / folder):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder {folder} is missing from this installation of peelpoint: install it again")


@cache
def code_digest() -> str:
    """Hash of all code and SQL: a stage is redone after the code that makes it has changed."""
    digest = hashlib.sha256()
    sources = [*PACKAGE.rglob("*.py"), *shipped("sql").rglob("*.sql"), *PACKAGE.rglob("*.j2"), *PACKAGE.rglob("*.css")]
    for source in sorted(set(sources), key=lambda p: p.as_posix()):
        if "_sample_logs" not in source.parts:
            digest.update(source.name.encode() + b"\0" + source.read_bytes())
    return digest.hexdigest()
