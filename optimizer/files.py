"""Files that are written appear whole or not at all, or it is said why they cannot be."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from optimizer.errors import UsageError


def refuse_unwritable(file: Path) -> None:
    """Say before long work that a file could not be written after it.

    Raises
    ------
    UsageError
        If its folder is none or may not be written to, or it is a folder itself.
    """
    folder = file.parent
    if file.is_dir():
        raise UsageError(f"cannot write {file}: it is a folder; name a file in it")
    if not folder.is_dir():
        raise UsageError(f"cannot write {file}: {folder} is no folder")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise UsageError(f"cannot write {file}: nothing may be written into {folder}")


def write_whole(file: Path, text: str) -> None:
    """Write a text (UTF-8) beside its place first, then into it: what stood there before is there until then.

    Raises
    ------
    UsageError
        If it cannot be written there.
    """
    refuse_unwritable(file)
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", newline="", dir=file.parent, prefix=f".{file.name[:100]}.", delete=False
        ) as part:
            try:
                part.write(text)
                part.flush()
                os.fsync(part.fileno())
                Path(part.name).chmod(0o644)
                Path(part.name).replace(file)
            except BaseException:
                Path(part.name).unlink(missing_ok=True)
                raise
    except OSError as fault:
        raise UsageError(f"cannot write {file}: {fault.strerror}") from fault
