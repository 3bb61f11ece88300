"""The output folder: whose it is, and how finished files get into it all at once."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.problems import WrongUsage

STORE_NAME = "season.duckdb"
MARKER_NAME = ".peelpoint"
ASIDE_PREFIX = ".aside-"


def safe_name(name: str) -> str:
    """A boat's name as a folder name: letters, digits, dots, underscores and hyphens, never empty, never hidden."""
    plain = unicodedata.normalize("NFKC", name)
    kept = re.sub(r"[^\w.-]+", "-", plain, flags=re.UNICODE).strip("-.")
    return kept[:80].rstrip("-.") or "boat"


def default_out(boat_name: str) -> Path:
    """`reports/<boat name>` under the working directory."""
    return Path.cwd() / "reports" / safe_name(boat_name)


def lies_in(place: Path, folder: Path) -> bool:
    """Whether a place is the folder or below it, wherever links lead."""
    return place.resolve().is_relative_to(folder.resolve())


def claim(out: Path, campaign: Path) -> None:
    """Make `out` ours, or refuse it.

    Raises `WrongUsage` where it is a file, holds things that are not peelpoint's own, or lies within the campaign,
    which is never written to.
    """
    if lies_in(out, campaign):
        raise WrongUsage(
            f"{out} lies inside the campaign folder {campaign}, which is never written to: "
            "give another folder with --out"
        )
    if out.exists() and not out.is_dir():
        raise WrongUsage(f"{out} is a file, not a folder: give another folder with --out")
    try:
        # What a run killed in its first moment leaves is ours as well.
        strange = (
            [f for f in out.iterdir() if not f.name.startswith((MARKER_NAME, ASIDE_PREFIX))] if out.is_dir() else []
        )
        is_foreign = bool(strange) and not (out / MARKER_NAME).is_file()
        if is_foreign:
            raise WrongUsage(
                f"{out} is not empty and was not made by peelpoint: nothing was written; "
                "give an empty or new folder with --out"
            )
        out.mkdir(parents=True, exist_ok=True)
        if not (out / MARKER_NAME).exists():
            write_marker(out, {})
    except PermissionError as error:
        raise WrongUsage(f"{out} cannot be written to ({error.strerror}): give another folder with --out") from error


def read_marker(out: Path) -> dict[str, str]:
    """What the last finished run put there: file group -> fingerprint; empty when unreadable."""
    try:
        found = json.loads((out / MARKER_NAME).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}


def write_marker(out: Path, published: dict[str, str]) -> None:
    """Replace the marker in one step."""
    aside = out / f"{MARKER_NAME}.new"
    aside.write_text(json.dumps(published, indent=0, sort_keys=True), "utf-8")
    to_disk(aside)
    aside.replace(out / MARKER_NAME)


@contextmanager
def aside(out: Path) -> Iterator[Path]:
    """A fresh folder on the same disk to write into; gone afterwards whatever happens."""
    for left_over in out.glob(f"{ASIDE_PREFIX}*"):
        shutil.rmtree(left_over, ignore_errors=True)
    folder = Path(tempfile.mkdtemp(prefix=ASIDE_PREFIX, dir=out))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def publish(finished: Path, out: Path) -> None:
    """Move every file below `finished` to the same place below `out`, each in one step.

    When this returns, the files are on the disk, and so are their names.
    """
    for source in sorted(p for p in finished.rglob("*") if p.is_file()):
        target = out / source.relative_to(finished)
        target.parent.mkdir(parents=True, exist_ok=True)
        to_disk(source)
        source.replace(target)
    for folder in [out, *(out / p.relative_to(finished) for p in finished.rglob("*") if p.is_dir())]:
        to_disk(folder)


def drop(out: Path, folder: str) -> None:
    """Remove a folder of earlier results that this run did not write anew."""
    shutil.rmtree(out / folder, ignore_errors=True)


def to_disk(path: Path) -> None:
    """Have a file's content, or a folder's names, on the disk: after a power cut a renamed file may else be empty."""
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
