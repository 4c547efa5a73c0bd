"""Making the name of a file survive a loss of power, not only its content."""

from __future__ import annotations

import os
from pathlib import Path


def flush_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system lets a folder be opened (not on Windows)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each on the disk when this returns."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    flush_folder(folder.parent)
