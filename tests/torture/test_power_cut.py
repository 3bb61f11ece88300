"""What a cut of the power may leave: a file whose name is on the disk and whose content is not, or names half written.

Neither can be tried without a machine to switch off; so a run is watched, and each step must wait for the one before
it to have reached the disk.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.chain import run_campaign
from pipeline.ingest.store import Store
from pipeline.output_folder import ASIDE_PREFIX, MARKER_NAME
from tests.torture.small_campaign import sound_campaign


def test_each_step_of_publishing_waits_for_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    campaign, out = sound_campaign(tmp_path / "campaign"), tmp_path / "out"
    on_disk: list[tuple[int, int]] = []  # (step, inode)
    named: list[tuple[int, Path, int]] = []  # (step, name, inode)
    committed: list[int] = []
    steps = iter(range(1_000_000))
    fsync, replace, commit = os.fsync, os.replace, Store.commit

    def watched_fsync(number: int) -> None:
        fsync(number)
        on_disk.append((next(steps), os.fstat(number).st_ino))

    def watched_replace(source: Path, target: Path) -> None:
        replace(source, target)
        if ASIDE_PREFIX not in str(target):
            named.append((next(steps), Path(target), Path(target).stat().st_ino))

    def watched_commit(store: Store) -> None:
        commit(store)
        committed.append(next(steps))

    monkeypatch.setattr(os, "fsync", watched_fsync)
    monkeypatch.setattr(os, "replace", watched_replace)
    monkeypatch.setattr(Store, "commit", watched_commit)
    run_campaign(campaign, out)

    (ours, *published, marker) = named
    assert ours[1] == marker[1] == out / MARKER_NAME
    assert len(published) > 100 and out / "tables" / "windows.csv" in [file for _, file, _ in published]
    for step, file, inode in named:
        assert any(s < step and i == inode for s, i in on_disk), f"{file} had its name before its content"
    for step, file, _ in published:
        assert step > committed[0], f"{file} was published before the store was committed"
        folder = file.parent.stat().st_ino
        assert any(step < s < marker[0] and i == folder for s, i in on_disk), f"the marker came before {file}"
