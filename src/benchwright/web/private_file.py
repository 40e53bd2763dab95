"""Files that only their owner may read."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_private(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, readable for its owner alone from its first byte on.

    Raises
    ------
    OSError
        It cannot be written there.
    """
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # made with mode 0600
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
